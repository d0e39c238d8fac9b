"""A workspace: the folder in which one person's photos become tiles, labels and models."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from weedset.digests import write_whole
from weedset.errors import SettingsError
from weedset.fields import read_toml
from weedset.records import CellLimits, Edge

SETTINGS_NAME = "weedset.toml"

DEFAULT_CELL_MM = 50.0
DEFAULT_TILE_PX = 128


@dataclass(frozen=True, slots=True)
class Workspace:
    """A workspace folder and how it cuts photos: fixed for its life, so that tiles compare."""

    root: Path
    cell_mm: float
    tile_px: int
    edge: Edge
    limits: CellLimits


def create_workspace(
    root: Path, cell_mm: float, tile_px: int, edge: Edge, limits: CellLimits | None = None
) -> Workspace:
    """Make a folder a workspace.

    Raises SettingsError where it is one already, or the settings are absurd.
    """
    path = root / SETTINGS_NAME
    if path.exists():
        raise SettingsError("is a workspace already", where=str(root), fix="use it as it is")
    if root.exists() and not root.is_dir():
        raise SettingsError("is a file, not a folder", where=str(root), fix="name a folder")
    if not 1 <= cell_mm <= 10_000:
        raise SettingsError(f"cell size {cell_mm:g} mm is not between 1 and 10000 mm")
    if not 16 <= tile_px <= 1024:
        raise SettingsError(f"tile size {tile_px} px is not between 16 and 1024 px")
    limits = limits or CellLimits()
    coarse = limits.worst_gsd_mm_per_px
    if coarse is not None and not 0 < coarse <= 100:
        raise SettingsError(f"a worst scale of {coarse:g} mm/px is not between 0 and 100 mm/px")
    if not 1 <= limits.most_oblique_deg <= 85:
        what = f"a view {limits.most_oblique_deg:g} degrees off straight down"
        raise SettingsError(f"{what} is not between 1 and 85 degrees")
    try:
        write_whole(
            path,
            "# How this workspace cuts photos into cells. Tiles made under other settings do not\n"
            "# compare, so keep these as they are and start another workspace for others.\n"
            f'cell_mm = {cell_mm:g}\ntile_px = {tile_px}\nedge = "{edge}"\n'
            f"most_oblique_deg = {limits.most_oblique_deg:g}\n"
            + ("" if coarse is None else f"worst_gsd_mm_per_px = {coarse:g}\n"),
        )
    except OSError as exc:
        raise SettingsError(f"cannot be written ({exc.strerror})", where=str(root)) from exc
    return open_workspace(root)


def open_workspace(root: Path) -> Workspace:
    """Open a workspace folder. Raises SettingsError where it is none or is damaged."""
    path = root / SETTINGS_NAME
    if not path.is_file():
        below = sorted(shlex.quote(str(item.parent)) for item in root.glob(f"*/{SETTINGS_NAME}"))
        such = f", such as --workspace {' or '.join(below[:3])}" if below else ""
        new = f"make this folder one with `weedset new {shlex.quote(str(root))}`"
        fix = f"name a workspace with --workspace{such}; or {new}"
        raise SettingsError("is not a workspace (it has no weedset.toml)", where=str(root), fix=fix)
    fields = read_toml(path, SettingsError)
    fields.knows("most_oblique_deg", "worst_gsd_mm_per_px")
    limits = CellLimits(
        fields.number("worst_gsd_mm_per_px", above=0, most=100)
        if "worst_gsd_mm_per_px" in fields
        else None,
        fields.number("most_oblique_deg", least=1, most=85)
        if "most_oblique_deg" in fields
        else CellLimits().most_oblique_deg,
    )
    workspace = Workspace(
        root=root,
        cell_mm=fields.number("cell_mm", least=1, most=10_000),
        tile_px=fields.whole("tile_px", least=16, most=1024),
        edge=cast(Edge, fields.choice("edge", ("drop", "pad"))),
        limits=limits,
    )
    fields.done()
    return workspace


def store_path(workspace: Workspace) -> Path:
    """Return where the labels and the list of tiles are kept."""
    return workspace.root / "store.sqlite"


def tile_archive(workspace: Workspace, photo_digest: str) -> Path:
    """Return the archive (a plain tar) that holds the tiles of one photo."""
    return workspace.root / "tiles" / f"{photo_digest[:24]}.tar"


def loose_picture_path(workspace: Workspace, digest: str) -> Path:
    """Return where a picture of unknown scale is kept."""
    return workspace.root / "loose" / f"{digest[:24]}.jpg"
