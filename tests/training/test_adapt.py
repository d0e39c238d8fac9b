import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression
from torch import nn
from toy_garden import BAR, DISC, Label, ToyPhoto, make_garden, toy_photos

from training.adapt import Adapted, adapt
from training.datasets import TileDataset, ordered_loader
from training.export import export_model
from training.head import refitted, widened
from training.loop import predict
from training.metrics import average_precision
from training.runs import load_model, read_run
from training.sources import Source, from_workspace
from training.thresholds import at_temperature
from weedset.errors import SettingsError, TrainingError
from weedset.records import ANY_PLANT, Origin, Statement, Verdict
from weedset.settings import Workspace

NEW = "STEME"


def only_discs(plants: frozenset[str]) -> Statement:
    """What somebody says who knows discs, and sees that there are other plants."""
    verdict = Verdict.PLANTS if plants else Verdict.BARE
    return Statement(
        "me", Origin.PAGE, verdict, present=plants & {DISC}, unknown_plant=BAR in plants
    )


def bars_are_new(plants: frozenset[str]) -> Statement:
    verdict = Verdict.PLANTS if plants else Verdict.BARE
    present = frozenset(NEW if code == BAR else code for code in plants)
    return Statement("me", Origin.PAGE, verdict, present=present)


def shade(root: Path, label: Label, light: float, *looked_for: str) -> Source:
    photos = [ToyPhoto(f"s{i}.png", "shade", 900 + i, light) for i in range(9)]
    return from_workspace(make_garden(root, photos, label, "CC0-1.0", looked_for))


@pytest.fixture(scope="module")
def mine(run_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Source, Adapted]:
    """`run_dir` adapted to a garden of half the light, whose gardener knows only discs."""
    source = shade(tmp_path_factory.mktemp("shade"), only_discs, 0.5, DISC)
    out = tmp_path_factory.mktemp("mine")
    return out, source, adapt(run_dir, source, out)


def found_in(source: Source, photos: tuple[str, ...], folder: Path) -> NDArray[np.float32]:
    run = read_run(folder)
    tiles = [tile for tile in source.tiles if tile.tile.photo_digest in photos]
    dataset = TileDataset(tiles, run.card.codes, source.archive_of, 32)
    return predict(load_model(folder, run), ordered_loader(dataset, 64, 0), torch.device("cpu"))


def test_in_other_light_it_is_better_and_that_is_said(
    mine: tuple[Path, Source, Adapted], capsys: pytest.CaptureFixture[str]
) -> None:
    out, _, adapted = mine
    assert adapted.gain is not None
    assert adapted.gain.units == 3
    assert adapted.gain.new_error < adapted.gain.old_error
    assert adapted.gain.verdict == "better"
    note = json.loads((out / "adaptation.json").read_text())
    assert note["gain"]["low"] > 0


def test_what_nobody_looked_for_is_not_forgotten(
    mine: tuple[Path, Source, Adapted], garden: Workspace, run_dir: Path
) -> None:
    out, _, _ = mine
    source, judged = from_workspace(garden), read_run(run_dir).test
    old, new = found_in(source, judged, run_dir), found_in(source, judged, out)
    tiles = [tile for tile in source.tiles if tile.tile.photo_digest in judged]
    truth = TileDataset(tiles, (ANY_PLANT, DISC, BAR), source.archive_of, 32).targets
    before, after = (average_precision(truth[:, 2], found[:, 2]) for found in (old, new))
    assert before is not None
    assert after is not None
    assert after > before - 0.05


def test_the_adapted_run_is_a_run_with_both_origins_and_can_be_exported(
    mine: tuple[Path, Source, Adapted], run_dir: Path, tmp_path: Path
) -> None:
    out, source, adapted = mine
    old, run = read_run(run_dir), read_run(out)
    assert run == adapted.run
    assert run.card.name == "toy-adapted"
    assert run.card.codes == old.card.codes
    assert run.card.licence == "CC-BY-4.0 AND CC0-1.0"
    assert run.card.givers == tuple(sorted((*old.card.givers, "shade-giver")))
    assert run.card.edition_digest == old.card.edition_digest
    assert run.card.held_out == run.test
    bars, old_bars = run.card.classes[2], old.card.classes[2]
    assert bars == old_bars  # no photo of this garden says anything of bars
    exported = export_model(out, source, tmp_path / "mine.onnx")
    assert exported.card.name == "toy-adapted"
    # What the released model promised holds for the file that is used, at its own temperature.
    temperature = exported.card.temperature
    discs, promised = exported.card.classes[1], at_temperature(old.card.classes[1], temperature)
    assert exported.card.classes[2] == at_temperature(old_bars, temperature)
    assert promised.treat_at is not None
    assert discs.treat_at is None or discs.treat_at >= promised.treat_at
    assert discs.doubt_at <= promised.doubt_at


def test_in_the_same_light_nothing_can_be_told_and_the_old_model_is_kept(
    run_dir: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = shade(tmp_path, only_discs, 1.0, DISC)
    names = ["s0.png", "s5.png"]
    adapted = adapt(run_dir, source, tmp_path / "mine", names)
    assert adapted.gain is not None
    assert adapted.gain.verdict == "cannot be told"
    said = capsys.readouterr().err.replace("\n", "")
    assert "that takes 3 photos held out at least" in said
    assert f"Keep using {run_dir}" in said


def test_a_species_that_the_model_does_not_know_is_learned(run_dir: Path, tmp_path: Path) -> None:
    source = shade(tmp_path, bars_are_new, 1.0, DISC, NEW)
    adapted = adapt(run_dir, source, tmp_path / "mine")
    assert adapted.new_species == (NEW,)
    run = adapted.run
    assert run.card.codes == (ANY_PLANT, DISC, BAR, NEW)
    found = found_in(source, run.test, tmp_path / "mine")
    tiles = [tile for tile in source.tiles if tile.tile.photo_digest in run.test]
    truth = TileDataset(tiles, run.card.codes, source.archive_of, 32).targets
    score = average_precision(truth[:, 3], found[:, 3])
    assert score is not None
    assert score > 0.9


def test_model_and_garden_must_go_together(
    garden: Workspace, run_dir: Path, tmp_path: Path
) -> None:
    source = from_workspace(garden)
    with pytest.raises(TrainingError, match="learned from photos of this garden already, such as"):
        adapt(run_dir, source, tmp_path / "out")
    with pytest.raises(TrainingError, match="cells of 50 mm, the garden has 40 mm"):
        adapt(run_dir, replace(source, cell_mm=40.0), tmp_path / "out")
    with pytest.raises(SettingsError, match="holds a finished run already"):
        adapt(run_dir, source, run_dir)
    few = from_workspace(make_garden(tmp_path, toy_photos(["new"], each=2)))
    with pytest.raises(TrainingError, match="labels on 2 photos"):
        adapt(run_dir, few, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_head_held_to_nothing_is_ridge_logistic_regression() -> None:
    # Reference: scikit-learn's LogisticRegression, whose C is one over strength times tiles.
    rng = np.random.default_rng(0)
    given = rng.normal(size=(200, 5))
    truth = (given @ rng.normal(size=5) + rng.normal(size=200) > 0).astype(np.int8)
    plain = nn.Linear(5, 1).double()
    with torch.no_grad():
        plain.weight.zero_()
        plain.bias.zero_()
    head = refitted(plain, torch.from_numpy(given), torch.from_numpy(truth)[:, None], 1, 0.05)
    reference = LogisticRegression(C=1 / (0.05 * 200), tol=1e-8).fit(given, truth)
    found = head.weight.detach().numpy()
    np.testing.assert_allclose(found, reference.coef_, atol=1e-3)
    np.testing.assert_allclose(head.bias.detach().numpy(), reference.intercept_, atol=1e-3)


def test_where_nothing_is_known_the_head_stays() -> None:
    torch.manual_seed(0)
    head = nn.Linear(5, 2).double()
    given = torch.randn(50, 5, dtype=torch.float64)
    targets = torch.full((50, 2), -1, dtype=torch.int8)
    same = refitted(head, given, targets, 2, 0.001)
    torch.testing.assert_close(same.weight, head.weight, atol=1e-5, rtol=0)


def test_a_new_class_starts_at_its_share() -> None:
    head = nn.Linear(5, 1)
    targets = torch.tensor([[1, 1], [0, 1], [0, 0], [-1, -1]], dtype=torch.int8)
    wide = widened(head, targets)
    assert torch.equal(wide.weight[0].float(), head.weight[0])
    # Laplace's rule of succession: (2 + 1) / (3 + 2).
    assert wide(torch.randn(3, 5, dtype=torch.float64))[:, 1].sigmoid().tolist() == (
        pytest.approx([0.6] * 3)
    )
