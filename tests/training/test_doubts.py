"""Doubtful labels: the published rules on cases worked by hand, and planted errors found."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from sklearn.metrics import cohen_kappa_score
from sklearn.neighbors import NearestNeighbors
from sklearn.preprocessing import normalize
from toy_garden import BAR, DISC, make_garden, told_all, toy_photos
from typer.testing import CliRunner

from tests.packing.forge import BATCH, GIVING, pack
from training.doubting.annotators import pair_agreements
from training.doubting.confident import against, disputed, estimate_noise, sure_answers, thresholds
from training.doubting.doubt_report import doubt_text
from training.doubting.doubts import (
    class_table,
    find_doubts,
    judged_classes,
    narrowed,
    neighbour_distances,
    out_of_fold,
    share_of,
    strangest,
    surprise,
)
from training.doubting.told import Told, of_workspace
from training.verbs import app
from weedset.errors import TrainingError
from weedset.pool.corrections import correct
from weedset.pool.intake import accept, add
from weedset.pool.journal import read_journal
from weedset.pool.layout import create_pool
from weedset.pool.look import look_into
from weedset.pool.standing import standings
from weedset.records import CameraProfile, Origin, Statement, Verdict
from weedset.reviewlist import read_review_list
from weedset.settings import Workspace, create_workspace
from weedset.store import open_store
from weedset.taxonomy import load_species
from weedset.tiling import cut_photo

DOCS = Path(__file__).resolve().parents[2] / "docs"

#: Six tiles said to show a plant, six said to lack it; what a model gives, out of fold.
SAID = np.array([1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0], np.int8)
FOUND = np.array([0.9, 0.9, 0.9, 0.9, 0.8, 0.1, 0.1, 0.1, 0.1, 0.2, 0.2, 0.8])


def test_thresholds_and_disputes_of_a_case_worked_by_hand() -> None:
    """Mean self-confidence: present 4.5 / 6 = 0.75, absent 4.5 / 6 = 0.75.

    So 0.1 surely lacks (0.9 >= 0.75) what was said to be there, 0.8 surely shows (0.8 >= 0.75)
    what was said to lack: one of six each.
    """
    assert thresholds(SAID, FOUND) == pytest.approx((0.75, 0.75))
    assert sure_answers(SAID, FOUND).tolist() == [1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 1]
    assert np.flatnonzero(disputed(SAID, FOUND)).tolist() == [5, 11]
    noise = estimate_noise(SAID, FOUND)
    assert (noise.wrongly_present, noise.wrongly_absent) == pytest.approx((1 / 6, 1 / 6))


def test_what_is_not_known_is_neither_disputed_nor_counted() -> None:
    said = np.append(SAID, [-1, 1]).astype(np.int8)
    found = np.append(FOUND, [0.99, np.nan])
    assert np.flatnonzero(disputed(said, found)).tolist() == [5, 11]
    assert np.isnan(against(said[:, None], found[:, None])[-2:]).all()
    assert not disputed(np.ones(4, np.int8), np.full(4, 0.1)).any()
    assert estimate_noise(np.ones(4, np.int8), np.full(4, 0.1)).wrongly_present == 0


def test_the_noise_of_flipped_labels_is_recovered() -> None:
    """Of 20,000 labels 8 % of those present and 3 % of those absent are flipped, at random.

    Among those then labelled present, 0.7 x 0.03 / (0.7 x 0.03 + 0.3 x 0.92) are wrong, by
    Bayes, and among those labelled absent 0.3 x 0.08 / (0.3 x 0.08 + 0.7 x 0.97).
    """
    rng = np.random.default_rng(4)
    truth = rng.random(20_000) < 0.3
    flip = rng.random(20_000) < np.where(truth, 0.08, 0.03)
    said = (truth ^ flip).astype(np.int8)
    found = np.where(truth, rng.beta(8, 1, 20_000), rng.beta(1, 8, 20_000))
    noise = estimate_noise(said, found)
    assert noise.wrongly_present == pytest.approx(0.021 / (0.021 + 0.276), abs=0.01)
    assert noise.wrongly_absent == pytest.approx(0.024 / (0.024 + 0.679), abs=0.005)


def test_the_interval_of_a_share_is_that_of_clopper_and_pearson() -> None:
    """0 of 10: 0 to 0.3085, and 5 of 10: 0.1871 to 0.8129 (widely tabled; from memory)."""
    none, half = share_of("a", 0, 10), share_of("a", 5, 10)
    assert (none.low, none.high) == pytest.approx((0, 0.3085), abs=5e-5)
    assert (half.low, half.high) == pytest.approx((0.1871, 0.8129), abs=5e-5)


def test_a_label_is_as_likely_as_all_its_answers_together() -> None:
    wrong = np.array([[0.5, 0.5], [0.1, np.nan], [0.0, 0.0]])
    assert surprise(wrong) == pytest.approx([-np.log(0.25), -np.log(0.9), 0])


def test_a_tile_far_from_all_others_is_strange() -> None:
    rng = np.random.default_rng(1)
    seen = np.abs(rng.normal(1, 0.05, (200, 40))).astype(np.float32)
    photos = [str(i // 20) for i in range(200)]
    assert len(strangest(seen, photos)) <= 2  # a fence that one in a hundred is beyond by chance
    seen[17, :20] = 0
    assert strangest(seen, photos)[0] == 17
    # a whole photo of something else, whose tiles are all alike
    seen[180:, 20:] = 0
    assert set(strangest(seen, photos)[:21]) == {17, *range(180, 200)}
    assert strangest(seen[:5], photos[:5]) == []


def test_distances_are_those_of_scikit_learns_neighbours_in_other_photos() -> None:
    rng = np.random.default_rng(4)
    seen, photos = rng.normal(size=(60, 7)).astype(np.float32), [f"p{i % 4}" for i in range(60)]
    found = neighbour_distances(seen, photos)
    unit, names = normalize(seen), np.array(photos)
    for photo in "p0", "p1", "p2", "p3":
        near = NearestNeighbors(n_neighbors=10).fit(unit[names != photo])
        expected = near.kneighbors(unit[names == photo])[0].mean(axis=1)
        assert found[names == photo] == pytest.approx(expected, rel=1e-4)
    few = neighbour_distances(seen[:12], ["p0"] * 6 + ["p1"] * 6)  # six others are not ten
    assert np.isnan(few).all()


def told(n: int, photos: int, **changes: object) -> list[Told]:
    plants = Statement("ann", Origin.PAGE, Verdict.PLANTS, frozenset({DISC}))
    bare = Statement("ann", Origin.PAGE, Verdict.BARE)
    looked = frozenset({DISC, BAR})
    return [
        replace(
            Told(
                f"{i % photos:064x}", i, 0, f"{i % photos}.jpg", "b", "s", "", bare, looked, False
            ),
            statement=plants if i % 2 else bare,
            **changes,
        )
        for i in range(n)
    ]


def test_no_photo_is_on_both_sides_of_a_fold() -> None:
    """A model that could see its own photo would know the answer: it is written there."""
    items = told(60, 12)
    photo = np.array([int(item.photo, 16) for item in items])
    labels = np.array([[p % 2 == 0] for p in photo]).astype(np.int8)
    seen = np.eye(12, dtype=np.float32)[photo]
    found = out_of_fold(seen, labels, [item.photo for item in items])
    assert (np.abs(found - 0.5) < 0.2).all()


def test_sites_are_kept_apart_where_there_are_five() -> None:
    rng = np.random.default_rng(2)
    items = told(100, 20)
    seen = rng.normal(0, 1, (100, 8)).astype(np.float32)
    assert find_doubts(items, seen).folds_by == "photo"
    many = [replace(item, site=str(i % 5)) for i, item in enumerate(items)]
    found = find_doubts(many, seen)
    assert found.folds_by == "site"
    assert [(site.name, site.tiles) for site in found.sites] == [(str(i), 20) for i in range(5)]


def test_too_few_labels_say_so() -> None:
    with pytest.raises(TrainingError, match="too few labels"):
        judged_classes(told(12, 3))
    with pytest.raises(TrainingError, match="too few labels"):
        judged_classes(told(60, 1))
    assert judged_classes(told(60, 3)) == (("1PLAK", DISC), ())


def test_two_people_are_compared_as_scikit_learn_does() -> None:
    rng = np.random.default_rng(3)
    looked = frozenset({DISC})
    first, second = rng.random((2, 80)) < [[0.5], [0.4]]

    def said(who: str, is_there: bool) -> tuple[Statement, frozenset[str]]:
        verdict = Verdict.PLANTS if is_there else Verdict.BARE
        present = frozenset({DISC}) if is_there else frozenset()
        return Statement(who, Origin.PAGE, verdict, present), looked

    groups = [(said("zoe", b), said("ann", a)) for a, b in zip(first, second, strict=True)]
    groups.append((said("ann", True), said("ann", False)))  # the same person is no second one
    unsure = Statement("zoe", Origin.PAGE, Verdict.CANNOT_TELL), looked
    groups.append((unsure, said("ann", True)))
    found = {pair.code: pair for pair in pair_agreements(groups)}
    assert set(found) == {"1PLAK", DISC}
    assert (found[DISC].one, found[DISC].other) == ("ann", "zoe")
    assert found[DISC].agreement.count == 80
    assert found[DISC].agreement.kappa == pytest.approx(cohen_kappa_score(first, second))


#: A garden, and the places of the tiles whose labels were made wrong.
Planted = tuple[Workspace, set[tuple[str, int, int]]]


@pytest.fixture(scope="module")
def planted(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Workspace, set[tuple[str, int, int]]]:
    """A drawn garden of 3 photos, 189 tiles, in which 12 labels were made wrong."""
    root = tmp_path_factory.mktemp("planted")
    garden = make_garden(root, toy_photos(("north",), each=3))
    wrong = set()
    rng = np.random.default_rng(6)
    with open_store(garden) as store:
        tiles = store.labelled_tiles()
        for i in rng.choice(len(tiles), 12, replace=False).tolist():
            tile, said = tiles[i].tile, tiles[i].statement
            place = (tile.photo_digest, tile.row, tile.col)
            # present and absent change places
            other = frozenset({DISC, BAR}) - said.present
            store.add_statements([(place, told_all(other))])
            wrong.add(place)
    return garden, wrong


@pytest.mark.slow
def test_planted_errors_are_found_and_the_list_opens(
    planted: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    garden, wrong = planted
    monkeypatch.chdir(garden.root.parent)
    text = (DOCS / "label-quality.md").read_text("utf-8")
    (line,) = re.findall(r"^```sh\n(.*?)\n```", text, re.MULTILINE | re.DOTALL)
    program, *words = shlex.split(line)
    assert program == "weedset"
    done = CliRunner().invoke(app, [*words, "--most", "25", "--json"])
    assert done.exit_code == 0, done.output
    records = [json.loads(line) for line in done.stdout.splitlines()]
    doubts = [record for record in records if record["kind"] == "doubt"]
    found = {(record["photo"], record["row"], record["col"]) for record in doubts}
    assert len(found & wrong) >= 10  # twelve planted; discs and bars are drawn, but noisily
    items = read_review_list(Path("doubts.jsonl"))
    assert [(item.photo, item.row, item.col) for item in items][: len(doubts)] == [
        (record["photo"], record["row"], record["col"]) for record in doubts
    ]
    kinds = {record["kind"] for record in records}
    assert {"doubt", "species", "site", "annotator"} <= kinds
    assert "A doubt is no proof" in done.stderr


def test_what_a_review_decided_is_not_listed_again(planted: Planted) -> None:
    gathered = of_workspace(planted[0])
    names, _ = judged_classes(gathered.told)
    labels = class_table(gathered.told, names)
    # an eye that sees the truth but for 20 tiles
    rng = np.random.default_rng(0)
    seen = np.where(labels == 1, 1.0, -1.0) + rng.normal(0, 0.2, labels.shape)
    seen[:20] *= -1
    seen = np.tile(seen, (1, 200)).astype(np.float32)
    found = find_doubts(gathered.told, seen)
    assert {doubt.place for doubt in found.doubts[:15]} <= set(range(20))
    assert found.doubts[0].sure > 0.9
    text = doubt_text(gathered.told, found, [])
    assert "Labels that the others contradict, the worst first:" in text
    assert "Labels contradicted, by site:" in text
    again = [replace(item, decided=i < 20) for i, item in enumerate(gathered.told)]
    assert not {doubt.place for doubt in find_doubts(again, seen).doubts} & set(range(20))
    assert len(narrowed(found, gathered.told, "", 3).doubts) == 3
    assert narrowed(found, gathered.told, "another", None).doubts == ()


@pytest.mark.slow
def test_a_contribution_that_waits_is_doubted_looked_into_and_corrected(tmp_path: Path) -> None:
    """Ben says the opposite of what is to be seen in two of 30 cells; all else is right."""
    pool = create_pool(tmp_path / "pool")
    for giver, site, lies in (("anna", "aa", ()), ("ben", "bb", (7, 20))):
        path, wrong = give_drawn(tmp_path / giver, giver, f"s-00000000000000{site}", lies)
        add(pool, path, "carla", load_species(), workers=1)
    waiting = next(iter(standings(read_journal(pool)).values()))
    accept(pool, waiting.digest, "carla")
    ben = list(standings(read_journal(pool)).values())[1]
    listed = tmp_path / "list.jsonl"
    words = ["doubts", "--pool", str(pool.root), "--only", ben.digest[:8], "--to", str(listed)]
    done = CliRunner().invoke(app, [*words, "--json"])
    assert done.exit_code == 0, done.output
    records = [json.loads(line) for line in done.stdout.splitlines()]
    doubts = [record for record in records if record["kind"] == "doubt"]
    assert {record["contribution"] for record in doubts} == {ben.digest}
    look, _ = look_into(pool, ben.digest, tmp_path / "look")
    with open_store(look) as store:
        tiles = store.labelled_tiles()
    there = {(item.tile.photo_digest, item.tile.row, item.tile.col) for item in tiles}
    items = read_review_list(listed)
    assert {(item.photo, item.row, item.col) for item in items} <= there
    assert doubts
    assert {(record["photo"], record["row"], record["col"]) for record in doubts} <= wrong
    with open_store(look) as store:
        said = Statement("carla", Origin.REVIEW, Verdict.CANNOT_TELL)
        store.add_statements(((item.photo, item.row, item.col), said) for item in items)
    correct(pool, ben.digest, look, "carla")
    again = CliRunner().invoke(app, [*words, "--json"])
    kinds = {json.loads(line)["kind"] for line in again.stdout.splitlines()}
    assert not kinds & {"doubt", "strange"}
    usage = CliRunner().invoke(app, ["doubts", "--only", "x"])
    assert usage.exit_code == 2
    # the rest of the pool is doubted too, and who labelled what others labelled is compared
    assert CliRunner().invoke(app, ["doubts", "--pool", str(pool.root)]).exit_code == 0


#: An archive, and the places of the tiles whose labels are wrong.
Given = tuple[Path, set[tuple[str, int, int]]]


def give_drawn(folder: Path, giver: str, site: str, lies: tuple[int, ...]) -> Given:
    """Pack five photos of 2 x 3 cells, bare or with a green disc; the labels `lies` are wrong."""
    workspace = create_workspace(folder / "garden", cell_mm=50, tile_px=32, edge="drop")
    profile = CameraProfile("cart", None, None, None, 50 / 32, None, None, None)
    rng, said, wrong = np.random.default_rng(len(giver)), 0, set()
    with open_store(workspace) as store:
        for photo in range(5):
            pixels = rng.normal(100, 12, (64, 96, 3))
            y, x = np.mgrid[:64, :96]
            disc = np.hypot(y % 32 - 16, x % 32 - 16) < 11
            plants = rng.random((2, 3)) < 0.5
            pixels[disc & plants[y // 32, x // 32]] = (60, 200, 50)
            path = folder / f"{photo}.png"
            Image.fromarray(pixels.clip(0, 255).astype(np.uint8)).save(path)
            cut = cut_photo(path, profile, workspace)
            assert cut is not None
            store.add_photo(BATCH, cut.photo, cut.tiles)
            store.set_checklist(BATCH.id, [DISC, BAR])
            for tile in cut.tiles:
                is_there = bool(plants[tile.row, tile.col]) != (said in lies)
                place = (tile.photo_digest, tile.row, tile.col)
                store.add_statements([(place, told_all(frozenset({DISC} if is_there else ())))])
                wrong |= {place} if said in lies else set()
                said += 1
    giving = replace(GIVING, giver=giver, rights_holder=giver, site=site)
    return pack(workspace, folder / "given.zip", giving), wrong
