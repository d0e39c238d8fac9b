"""Workspaces of many tiles, made without photos: tiles of drawn ground, over and over."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from weedset.digests import bytes_digest
from weedset.geometry import cell_footprint
from weedset.images import encode_tile
from weedset.records import (
    Batch,
    CameraProfile,
    GroundGrid,
    Origin,
    Photo,
    Scale,
    ScaleSource,
    Statement,
    Tile,
    Verdict,
    View,
)
from weedset.settings import Workspace, create_workspace, tile_archive
from weedset.store import open_store

ROWS, COLS = 10, 13
_KINDS = 64
_BATCH = Batch("bulk 2024-05-04", "bulk", "2024-05-04", "", "", ())


def ground_tiles() -> list[bytes]:
    """Return tiles of 128 px of about 7 kB, as photos of soil give them."""
    rng = np.random.default_rng(11)
    tiles = []
    for _ in range(_KINDS):
        coarse = rng.normal(110, 30, (24, 24, 3)).clip(0, 255).astype(np.uint8)
        soft = Image.fromarray(coarse).resize((128, 128), Image.Resampling.BICUBIC)
        grains = rng.normal(0, 7, (128, 128, 1))
        tiles.append(encode_tile((np.asarray(soft) + grains).clip(0, 255).astype(np.uint8)))
    return tiles


def bulk_workspace(root: Path, tiles: int) -> Workspace:
    """Make a workspace with at least that many labelled tiles, of photos of 130 each."""
    workspace = create_workspace(root, cell_mm=50, tile_px=128, edge="drop")
    kinds = ground_tiles()
    grid = GroundGrid(50, ROWS, COLS, -COLS * 25, -ROWS * 25)
    scale = Scale(0.26, ScaleSource.DECLARED, False, 0.01)
    profile = CameraProfile("cart", None, None, None, 0.26, 0.01, None, None)
    view = View(2592, 1944, 1, 0.26, None, 1295.5, 971.5)
    with open_store(workspace) as store:
        for number in range(-(-tiles // (ROWS * COLS))):
            digest = bytes_digest(str(number).encode())
            photo = Photo(
                digest, f"{number}.jpg", "", 2592, 1944, None, "cart", scale, grid, 128, "drop",
                profile, view,
            )  # fmt: skip
            archive = tile_archive(workspace, digest)
            archive.parent.mkdir(exist_ok=True)
            cut, data = _cut(digest, grid, kinds, number)
            archive.write_bytes(data)
            store.add_photo(_BATCH, photo, cut)
            store.set_checklist(_BATCH.id, ["CHEAL", "DAUCS"])
            store.add_statements(
                ((digest, tile.row, tile.col), _said(tile.row + tile.col)) for tile in cut
            )
    return workspace


def _cut(
    digest: str, grid: GroundGrid, kinds: list[bytes], number: int
) -> tuple[list[Tile], bytes]:
    cut, parts, offset = [], [], 0
    for i in range(ROWS * COLS):
        data = kinds[(i * 7 + number) % len(kinds)]
        row, col = divmod(i, COLS)
        footprint = cell_footprint(grid, row, col)
        cut.append(Tile(digest, row, col, footprint, 0.26, 1.0, offset, len(data)))
        parts.append(data)
        offset += len(data)
    return cut, b"".join(parts)


def _said(number: int) -> Statement:
    if number % 2:
        return Statement("anna", Origin.PAGE, Verdict.BARE)
    return Statement("anna", Origin.PAGE, Verdict.PLANTS, frozenset({"CHEAL"}))
