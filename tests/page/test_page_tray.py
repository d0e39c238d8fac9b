"""The tray photo, labelled through the page by a person: what the greenness order makes of it.

tests/fixtures/tray_labels.csv holds the labels of all 475 cells of 20 mm (at a declared
0.2 mm per px) and no pixel: a cell is ARBTH where a leaf lies in it, bare otherwise, and
"cannot tell" where a hair's breadth of green touches its edge.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import numpy as np

from tests.conftest import real_photos
from weedset.images import decode_tile
from weedset.importers.table import table_statements
from weedset.records import CameraProfile, Verdict
from weedset.server.looks import excess_green, green_share
from weedset.settings import create_workspace, tile_archive
from weedset.taxonomy import load_species
from weedset.tilearchive import read_tile
from weedset.tiling import cut_photo

LABELS = Path(__file__).parents[1] / "fixtures" / "tray_labels.csv"
CAMERA = CameraProfile("tray camera", None, None, None, 0.2, None, None, None)


def test_the_fixture_labels_every_cell_once() -> None:
    with LABELS.open() as file:
        rows = list(csv.DictReader(file))
    assert len({(row["row"], row["col"]) for row in rows}) == len(rows) == 19 * 25
    assert len({row["photo"] for row in rows}) == 1
    assert Counter(row["species"] for row in rows) == {"bare": 343, "ARBTH": 131, "cannot tell": 1}


def test_bare_cells_of_a_real_photo_come_last(tmp_path: Path) -> None:
    """Nothing outside the project says how good a gate must be; a person's labels judge it."""
    photo = real_photos("tray") / "arabidopsis_tray.jpg"
    workspace = create_workspace(tmp_path / "tray", 20, 96, "drop")
    cut = cut_photo(photo, CAMERA, workspace)
    assert cut is not None
    said = dict(table_statements(LABELS, [cut.photo], load_species(), "me"))
    archive = tile_archive(workspace, cut.photo.digest)
    green = np.array(
        [green_share(excess_green(decode_tile(read_tile(archive, tile)))) for tile in cut.tiles]
    )
    verdicts = [said[tile.photo_digest, tile.row, tile.col].verdict for tile in cut.tiles]
    plants = np.array([verdict is Verdict.PLANTS for verdict in verdicts])
    bare = np.array([verdict is Verdict.BARE for verdict in verdicts])
    last = green < 0.005
    print(f"\nplants kept first: {(~last[plants]).mean():.3f}, bare last: {last[bare].mean():.3f}")
    assert (~last[plants]).mean() > 0.97
    assert last[bare].mean() > 0.85
