import json
from dataclasses import replace
from pathlib import Path

import pytest
import torch
from safetensors.torch import load_file
from toy_garden import BAR, DISC, make_garden, told_all, toy_photos, toy_recipe

from training.runs import load_model, read_run
from training.sources import from_workspace, labels_digest
from training.train import train
from weedset.errors import ModelError, SettingsError, TrainingError
from weedset.records import ANY_PLANT, Origin, Statement, Verdict
from weedset.settings import Workspace, create_workspace
from weedset.store import open_store


def test_a_run_learns_what_it_was_shown_and_says_where_it_comes_from(
    garden: Workspace, run_dir: Path
) -> None:
    run = read_run(run_dir)
    card = run.card
    assert card.codes == (ANY_PLANT, DISC, BAR)
    assert run.losses[-1] < run.losses[0] / 3
    assert all(item.treat_at is not None for item in card.classes)
    assert card.split == "site"
    assert len(card.held_out) == 1
    learned = {"north", "south", "east", "west"} - set(card.held_out)
    assert card.givers == tuple(sorted(f"{site}-giver" for site in learned))
    assert card.licence == "CC-BY-4.0"
    assert card.gsd_min_mm_per_px == card.gsd_max_mm_per_px == 50 / 32
    assert not {*run.train} & {*run.validation, *run.test}
    with open_store(garden) as store:
        assert card.edition_digest == labels_digest(store.labelled_tiles())


def test_the_edition_digest_tells_labels_apart_but_not_their_order(garden: Workspace) -> None:
    with open_store(garden) as store:
        tiles = store.labelled_tiles()
    assert labels_digest(tiles) == labels_digest(tiles[::-1])
    assert labels_digest(tiles) != labels_digest(tiles[1:])


def test_the_edition_digest_tells_how_cells_were_cut_and_where(garden: Workspace) -> None:
    """What was cut again, or moved to another site, is not what a run or a fold has learned from.

    A growth stage changes nothing: no model learns from one.
    """
    with open_store(garden) as store:
        first, *rest = store.labelled_tiles()
    tile, said = first.tile, first.statement
    finer = replace(tile, gsd_mm_per_px=tile.gsd_mm_per_px * 0.99)
    moved = replace(tile, footprint=replace(tile.footprint, x_max_mm=tile.footprint.x_max_mm + 1))
    before = labels_digest([first, *rest])
    for other in (replace(first, tile=finer), replace(first, tile=moved), replace(first, site="x")):
        assert labels_digest([other, *rest]) != before
    staged = replace(first, statement=replace(said, stages=((BAR, 2),)))
    assert labels_digest([staged, *rest]) == before


def test_the_same_recipe_and_labels_give_the_same_weights(
    garden: Workspace, tmp_path: Path
) -> None:
    for name, workers in (("a", 0), ("b", 1)):
        train(toy_recipe(epochs=1), from_workspace(garden), tmp_path / name, workers=workers)
    first, second = (load_file(tmp_path / name / "model.safetensors") for name in ("a", "b"))
    assert all(torch.equal(first[name], second[name]) for name in first)


def test_photos_of_one_site_are_split_with_a_loud_note(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    garden = make_garden(tmp_path, toy_photos(["north"], each=5), licence="")
    run = train(toy_recipe(epochs=1), from_workspace(garden), tmp_path / "run", ["north1.png"])
    told = capsys.readouterr()
    assert not told.out
    assert "FLATTERS" in told.err
    assert run.card.split == "photo"
    assert run.card.held_out == run.test
    with open_store(garden) as store:
        held_out = {photo.digest for photo in store.photos() if photo.name == "north1.png"}
    assert set(run.test) == held_out
    assert run.card.licence == "NOASSERTION"


def test_a_species_with_too_few_examples_is_left_out_and_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = 0

    def rarely_bars(plants: frozenset[str]) -> Statement:
        nonlocal shown
        if BAR in plants:
            shown += 1
            if shown > 3:
                return Statement("ann", Origin.MASK, Verdict.CANNOT_TELL)
        return told_all(plants)

    garden = make_garden(tmp_path, toy_photos(["north"], each=3), rarely_bars)
    run = train(toy_recipe(epochs=1), from_workspace(garden), tmp_path / "run")
    assert run.card.codes == (ANY_PLANT, DISC)
    assert f"{BAR} is left out: 3 training tiles show it" in capsys.readouterr().err


def test_a_species_that_only_held_out_sites_show_is_named(
    garden: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = from_workspace(garden)
    tiles = tuple(
        replace(tile, statement=replace(tile.statement, present=frozenset({"STEME"})))
        if tile.site == "west" and BAR in tile.statement.present
        else tile
        for tile in source.tiles
    )
    train(toy_recipe(epochs=1), replace(source, tiles=tiles), tmp_path, ["west"])
    assert "STEME is left out: only tiles that are held out show it" in capsys.readouterr().err


def never(_plants: frozenset[str]) -> Statement:
    return Statement("ann", Origin.MASK, Verdict.CANNOT_TELL)


def only_plants(plants: frozenset[str]) -> Statement:
    return told_all(plants) if plants else never(plants)


def unnamed(plants: frozenset[str]) -> Statement:
    if not plants:
        return told_all(plants)
    return Statement("ann", Origin.MASK, Verdict.PLANTS, unknown_plant=True)


@pytest.mark.parametrize(
    ("label", "photos", "what"),
    [
        (never, 3, "has no labels to learn from"),
        (told_all, 1, "labels on 1 photo:"),
        (unnamed, 3, "no species has 8 training tiles"),
        (only_plants, 3, "0 training tiles are labelled bare ground"),
    ],
)
def test_labels_that_do_not_suffice_are_told_with_what_to_do(
    tmp_path: Path, label: object, photos: int, what: str
) -> None:
    garden = make_garden(tmp_path, toy_photos(["north"], photos), label)  # type: ignore[arg-type]
    with pytest.raises(TrainingError, match=what) as caught:
        train(toy_recipe(), from_workspace(garden), tmp_path / "run")
    assert caught.value.fix
    assert not (tmp_path / "run").exists()


def test_where_nothing_can_be_written_nobody_learns_in_vain(
    garden: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setattr("training.train.fit", lambda *_: pytest.fail("it has learned"))
    for out in (tmp_path / "file", tmp_path / "file" / "run"):
        with pytest.raises(SettingsError, match="is no folder that can be written") as caught:
            train(toy_recipe(), from_workspace(garden), out)
        assert caught.value.where == str(out)


def test_what_is_learned_from_and_how_well_is_told_in_a_table(
    garden: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    train(toy_recipe(epochs=1), from_workspace(garden), tmp_path / "run", ["west"])
    lines = capsys.readouterr().err.splitlines()
    assert "for judging: 126 tiles of 2 photos of 1 site (west)" in lines
    head = next(line for line in lines if line.startswith("class"))
    assert head.split()[-1] == "treated"
    rows = {line.split()[0]: line for line in lines if line[:5] in (ANY_PLANT, BAR, DISC)}
    assert rows.keys() == {ANY_PLANT, BAR, DISC}
    assert "any plant at all" in rows[ANY_PLANT]
    assert max(len(line) for line in (head, *rows.values())) <= 80


def test_an_empty_workspace_has_no_labels(tmp_path: Path) -> None:
    garden = create_workspace(tmp_path / "garden", 50, 32, "drop")
    with pytest.raises(TrainingError, match="has no labels"):
        train(toy_recipe(), from_workspace(garden), tmp_path / "run")


def test_a_folder_without_a_run_is_told(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="holds no finished training run"):
        read_run(tmp_path)


@pytest.mark.parametrize("name", ["run.json", "card.json"])
def test_a_damaged_run_is_told_by_file(run_dir: Path, tmp_path: Path, name: str) -> None:
    for file in run_dir.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / name).write_text("{")
    with pytest.raises(ModelError, match="is not valid JSON") as caught:
        read_run(tmp_path)
    assert name in caught.value.where


def test_a_run_of_which_the_recipe_was_changed_is_told(run_dir: Path, tmp_path: Path) -> None:
    for file in run_dir.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    record = json.loads((tmp_path / "run.json").read_text())
    record["recipe"]["backbone"] = "lite0"
    (tmp_path / "run.json").write_text(json.dumps(record))
    with pytest.raises(ModelError, match="does not hold the weights"):
        load_model(tmp_path, read_run(tmp_path))
    record["recipe"]["epochs"] = 0
    (tmp_path / "run.json").write_text(json.dumps(record))
    with pytest.raises(ModelError, match=r"recipe\.epochs"):
        read_run(tmp_path)
