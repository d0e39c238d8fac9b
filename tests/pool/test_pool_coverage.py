"""Coverage: counts against what was given, light against made-up ground, the call and the plot."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from tests.pool.conftest import give
from tests.pool.test_pool_editions import rows_of
from weedset.cli import app
from weedset.pool.coverage import (
    LEAST_TILES,
    Coverage,
    call_text,
    coverage_rows,
    light_of,
    measure_coverage,
)
from weedset.pool.editions import freeze
from weedset.pool.intake import accept, add
from weedset.pool.layout import Pool, create_pool
from weedset.quality import measure
from weedset.records import Origin, Statement, Verdict
from weedset.taxonomy import load_species

KNOWN = load_species()


@pytest.fixture
def pool(tmp_path: Path) -> Pool:
    """Two gardens that show the same two photos, of 6 tiles each."""
    pool = create_pool(tmp_path / "pool")
    for giver, site in (("anna", "aa"), ("ben", "bb")):
        path = give(tmp_path, giver, f"s-00000000000000{site}")
        accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    return pool


def test_counts_are_those_of_the_labels(pool: Pool) -> None:
    """Of 6 cells 2 show CHEAL at stage 1, 2 CHEAL and DAUCS; ben's are anna's again."""
    cover = measure_coverage(pool)
    assert cover.tiles == {"CHEAL": 8, "DAUCS": 4}
    assert cover.stages == {("CHEAL", 1): 4}
    assert {code: len(sites) for code, sites in cover.sites.items()} == {"CHEAL": 1, "DAUCS": 1}
    assert sum(cover.lights.values()) == 12
    assert cover.by_need() == ["STEME", "DAUCS", "CHEAL"]  # STEME was looked for, never seen


def test_what_is_kept_apart_is_not_in_the_next_open_edition(pool: Pool, tmp_path: Path) -> None:
    path = give(tmp_path, "dora", "s-00000000000000dd", 40, licence="CC-BY-NC-4.0")
    accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    for apart in (False, True):
        edition, _ = freeze(pool, "carla", apart)
        held = Counter(
            code for row in rows_of(pool.edition(edition.number)) for code in row["present"]
        )
        assert measure_coverage(pool, apart).tiles == held == {"CHEAL": 8, "DAUCS": 4}


def test_ground_is_what_the_giver_says(pool: Pool, tmp_path: Path) -> None:
    path = give(tmp_path, "cleo", "s-00000000000000cc", 30, ground="mulch")
    accept(pool, add(pool, path, "carla", KNOWN, workers=1).digest, "carla")
    cover = measure_coverage(pool)
    assert cover.grounds["CHEAL", "mulch"] == cover.grounds["CHEAL", "ground not said"] == 8
    (row,) = (row for row in coverage_rows(cover) if row["species"] == "DAUCS")
    assert (row["mulch"], row["ground not said"]) == (4, 4)
    assert "grass" not in row
    freeze(pool, "carla")
    assert {row["giver"]: row["ground"] for row in rows_of(pool.edition(1))} == {
        "anna": "",
        "cleo": "mulch",
    }
    assert "- mulch: 12" in (pool.edition(1) / "README.md").read_text("utf-8")


def test_what_is_there_in_plenty_is_not_wanted() -> None:
    cover = Coverage(looked_for={"CHEAL"})
    for site in ("a", "b", "c"):
        for stage in range(4):
            said = Statement(
                "anna",
                Origin.PAGE,
                Verdict.PLANTS,
                frozenset({"CHEAL"}),
                stages=(("CHEAL", stage),),
            )
            for light in ("even", "half in shadow"):
                for _ in range(LEAST_TILES):
                    cover.note(said, site, light)
    assert cover.by_need() == []
    assert "Nothing: " in call_text(cover, KNOWN)


def test_light_is_told_apart() -> None:
    """Made-up soil: lit evenly, half of it in shadow, all of it dim, burnt out."""
    soil = np.random.default_rng(2).normal(130, 8, (64, 64, 1)) * [1.0, 0.85, 0.7]
    shadow = np.where(np.arange(64)[:, None, None] < 28, 0.35, 1.0)
    for factor, expected in (
        (1.0, "even"),
        (shadow, "half in shadow"),
        (0.3, "dim"),
        (2.6, "burnt out"),
    ):
        pixels = (soil * factor).clip(0, 255).astype(np.uint8)
        assert light_of(measure(pixels, np.ones((1, 1), bool), 64)[1]) == expected


def test_the_verb(pool: Pool, tmp_path: Path) -> None:
    plot, call = tmp_path / "c.png", tmp_path / "call.md"
    words = ["pool", "coverage", str(pool.root), "--plot", str(plot), "--call", str(call)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines()[0].split()[:3] == ["species", "tiles", "sites"]
    with Image.open(plot) as image:
        assert image.size[0] > 400
    text = call.read_text("utf-8")
    assert text.index("STEME") < text.index("CHEAL")
    assert "from 2 more gardens" in text
    lines = CliRunner().invoke(app, [*words[:3], "--json"]).stdout.splitlines()
    assert json.loads(lines[0])["species"] == "STEME"
    done = CliRunner().invoke(app, [*words[:3], "--plot", str(tmp_path / "none" / "x.png")])
    assert done.exit_code == 1


def test_a_group_without_a_scientific_name_is_called_by_its_name_alone() -> None:
    cover = Coverage()
    cover.note(Statement("anna", Origin.PAGE, Verdict.PLANTS, frozenset({"3WEEDT"})), "a", "even")
    assert "- weeds, species not told apart (3WEEDT): " in call_text(cover, KNOWN)
