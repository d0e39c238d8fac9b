from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from torch import nn
from torch.nn.functional import kl_div
from toy_garden import BAR, DISC, make_garden, told_all, toy_photos, toy_recipe

from training.datasets import TileDataset, ordered_loader
from training.distillation import open_teacher, soft_loss, unlabelled_tiles
from training.loop import predict
from training.metrics import average_precision
from training.runs import load_model, read_run
from training.sources import Source, from_workspace
from training.train import train
from weedset.errors import ModelError, TrainingError
from weedset.records import ANY_PLANT, Origin, Statement, Verdict
from weedset.settings import Workspace
from weedset.splits import split_tiles

CPU = torch.device("cpu")


def test_the_soft_loss_has_the_gradient_of_torchs_divergence_on_two_outcomes() -> None:
    # Reference: torch.nn.functional.kl_div over present and absent, times T squared (Hinton,
    # Vinyals & Dean 2015, section 2); cross-entropy differs by the teacher's entropy alone.
    generator = torch.Generator().manual_seed(0)
    asked = 3 * torch.randn(5, 2, generator=generator, dtype=torch.float64)
    temperature = 3.0
    grads = []
    for ours in (True, False):
        scores = torch.linspace(-2, 2, 10, dtype=torch.float64).reshape(5, 2).requires_grad_()
        if ours:
            loss = soft_loss(scores, asked, temperature)
        else:
            both = [
                torch.stack([logits / temperature, torch.zeros_like(logits)], -1)
                for logits in (scores, asked)
            ]
            found, wanted = both[0].log_softmax(-1), both[1].softmax(-1)
            loss = kl_div(found, wanted, reduction="sum") / scores.numel() * temperature**2
        loss.backward()
        grads.append(scores.grad)
    torch.testing.assert_close(grads[0], grads[1])


def student(**changes: object) -> dict[str, object]:
    return {"backbone": "tiny", "teacher_share": 0.8, "unlabelled_per_labelled": 3.0} | changes


@pytest.fixture(scope="module")
def taught(run_dir: Path, garden: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("student")
    recipe = toy_recipe(**student(epochs=20))
    train(recipe, from_workspace(garden), out, teacher_dir=run_dir)
    return out


def probabilities(folder: Path, dataset: TileDataset) -> np.ndarray:
    return predict(load_model(folder, read_run(folder)), ordered_loader(dataset, 64, 0), CPU)


def test_a_student_says_nearly_what_its_teacher_says_of_photos_neither_has_seen(
    garden: Workspace, run_dir: Path, taught: Path
) -> None:
    run = read_run(taught)
    assert run.card.codes == read_run(run_dir).card.codes
    assert run.teacher
    source = from_workspace(garden)
    held_out = [tile for tile in source.tiles if tile.tile.photo_digest in run.test]
    dataset = TileDataset(held_out, run.card.codes, source.archive_of, 32)
    teacher, learned = probabilities(run_dir, dataset), probabilities(taught, dataset)
    assert np.abs(teacher - learned).mean() < 0.1
    for i in range(3):
        best = average_precision(dataset.targets[:, i], teacher[:, i])
        found = average_precision(dataset.targets[:, i], learned[:, i])
        assert best is not None
        assert found is not None
        assert found > best - 0.05


def half_labelled(root: Path, photos: int = 2) -> Source:
    """Of each photo half the cells have no statement; of a tenth the label cannot tell."""
    count = 0

    def label(plants: frozenset[str]) -> Statement | None:
        nonlocal count
        count += 1
        if count % 2:
            return None
        mute = Statement("ann", Origin.MASK, Verdict.CANNOT_TELL)
        return mute if count % 10 == 0 else told_all(plants)

    sites = ("north", "south", "east", "west")
    return from_workspace(make_garden(root, toy_photos(sites, photos), label))


def test_tiles_without_labels_are_found_but_not_where_the_student_is_judged(
    tmp_path: Path,
) -> None:
    source = half_labelled(tmp_path)
    told = [tile for tile in source.tiles if tile.statement.verdict is not Verdict.CANNOT_TELL]
    split = split_tiles(told)
    free = unlabelled_tiles(source, split, toy_recipe(unlabelled_per_labelled=100.0))
    learn_sites = {tile.site for tile in split.train}
    assert {tile.site for tile in free} == learn_sites
    places = {(t.tile.photo_digest, t.tile.row, t.tile.col) for t in free}
    assert len(places) == len(free) == 2 * 2 * 63 - len(split.train)
    dataset = TileDataset(free, (ANY_PLANT, DISC, BAR), source.archive_of, 32)
    assert (dataset.targets == -1).all()
    some = unlabelled_tiles(source, split, toy_recipe(unlabelled_per_labelled=0.5))
    assert len(some) == len(split.train) // 2
    assert not unlabelled_tiles(source, split, toy_recipe())


def test_recipe_and_teacher_must_go_together(
    garden: Workspace, run_dir: Path, tmp_path: Path
) -> None:
    source = from_workspace(garden)
    split = split_tiles(source.tiles)

    def opened(folder: Path | None, **changes: object) -> object:
        recipe = replace(toy_recipe(**student()), **changes)  # type: ignore[arg-type]
        return open_teacher(folder, recipe, source, split, CPU)

    assert opened(None, teacher_share=0.0) is None
    with pytest.raises(TrainingError, match="names no teacher"):
        opened(None)
    with pytest.raises(TrainingError, match="does not listen"):
        opened(run_dir, teacher_share=0.0)
    with pytest.raises(TrainingError, match="tiles of 32 px, its student tiles of 64 px"):
        opened(run_dir, input_px=64)
    with pytest.raises(ModelError, match="no finished training run"):
        opened(tmp_path)
    with pytest.raises(TrainingError, match="is for cells of 50 mm, the labels are of 40 mm"):
        open_teacher(run_dir, toy_recipe(**student()), replace(source, cell_mm=40.0), split, CPU)


def test_a_teacher_that_saw_what_its_student_is_judged_by_is_refused(
    garden: Workspace, run_dir: Path, tmp_path: Path
) -> None:
    learned_from = read_run(run_dir).train
    source = from_workspace(garden)
    site = next(tile.site for tile in source.tiles if tile.tile.photo_digest in learned_from)
    with pytest.raises(TrainingError, match="by which its student is to be judged") as caught:
        train(toy_recipe(**student()), source, tmp_path, [site], teacher_dir=run_dir)
    assert "--held-out" in caught.value.fix
    assert not list(tmp_path.iterdir())


def test_the_teacher_does_not_learn(run_dir: Path, garden: Workspace) -> None:
    source = from_workspace(garden)
    teacher = open_teacher(run_dir, toy_recipe(**student()), source, split_tiles(source.tiles), CPU)
    assert teacher is not None
    tiles = torch.randn(4, 3, 32, 32)
    first = teacher(tiles)
    assert torch.equal(teacher(tiles), first)
    assert not first.requires_grad
    assert isinstance(load_model(run_dir, read_run(run_dir)), nn.Module)
