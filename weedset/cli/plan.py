"""The planner's verb: what a camera at a height will see, before anything is built."""

from __future__ import annotations

from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.box import SIMPLE
from rich.console import Console
from rich.table import Table

from weedset.cli.door import JsonOption, emit, usage_error
from weedset.planner import BOARDS, NAMED_PX, SEEN_PX, Plan, Trip, in_words, plan, plans
from weedset.profile import read_camera_profile
from weedset.records import CameraProfile
from weedset.settings import DEFAULT_CELL_MM
from weedset.talk import say

#: Heights in the table, as shares of the one in the profile.
_SHARES = (0.5, 0.67, 0.8, 1.0, 1.25, 1.5, 2.0)


class Board(StrEnum):
    """The classes of boards, for the command line."""

    A53 = "a53"
    A72 = "a72"
    A76 = "a76"


class Travel(StrEnum):
    """Which side of the photo lies along the travel."""

    HEIGHT = "height"
    WIDTH = "width"


def add_plan_verb(app: typer.Typer) -> None:
    """Add the planner to `app`."""
    app.command("plan")(plan_camera)


def plan_camera(
    camera: Annotated[Path, typer.Option(help="The camera profile (TOML).")],
    photo_px: Annotated[
        str, typer.Option(help="Size of a photo, such as 2592x1944, if the profile has none.")
    ] = "",
    cell_mm: Annotated[float, typer.Option(min=1, help="Side of a cell.")] = DEFAULT_CELL_MM,
    input_px: Annotated[int, typer.Option(min=8, help="Side of the model's input.")] = 96,
    net_mmac: Annotated[
        float, typer.Option(min=0.1, help="Million multiply-accumulates of the net per cell.")
    ] = 12.9,
    board: Annotated[Board, typer.Option(help="The class of the board.")] = Board.A53,
    speed_mm_s: Annotated[float | None, typer.Option(min=0, help="Travel speed, mm/s.")] = None,
    exposure_ms: Annotated[float | None, typer.Option(min=0.001, help="Exposure time.")] = None,
    f_number: Annotated[float | None, typer.Option(min=0.5, help="Aperture.")] = None,
    travel: Annotated[
        Travel, typer.Option(help="Which side of the photo lies along the travel.")
    ] = Travel.HEIGHT,
    plot: Annotated[
        Path | None, typer.Option(help="Draw how things change with height (PNG, SVG or PDF).")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Tell what a camera will see and how fast a machine may go, for a range of heights.

    Times on the board are predicted from published speeds of its class: a wide band, to be
    replaced by a measurement on the board itself.

    Example: `weedset plan --camera cart.toml --photo-px 2592x1944 --speed-mm-s 200`

    Example: `weedset plan --camera cart.toml --exposure-ms 2 --plot heights.png`
    """
    profile = read_camera_profile(camera)
    width_px, height_px = _size(photo_px, profile)
    trip = Trip(
        width_px, height_px, cell_mm, input_px, BOARDS[board.value], net_mmac, speed_mm_s,
        exposure_ms, f_number, travel is Travel.WIDTH,
    )  # fmt: skip
    now = plan(profile, trip)
    heights_mm = [
        now.height_mm * share for share in _SHARES if now.height_mm * share > profile.plants.most_mm
    ]
    rows = plans(profile, trip, heights_mm)
    if as_json:
        for row in rows:
            emit(asdict(row))
    else:
        _print_table(rows, now)
        say(f"Board: {trip.board.words}, a net of {net_mmac:g} million multiply-accumulates.")
        say(
            f"Leaves: {SEEN_PX:g} px across to be seen as a plant, {NAMED_PX:g} px to be named "
            "(Johnson 1958, made for people; common practice for plants)."
        )
        say(in_words(now, rows[-1]))
    if plot is not None:
        from weedset.plan_plot import draw_plans

        draw_plans(plans(profile, trip, _fine(heights_mm)), now, plot)
        say(f"drew {plot}")


def _fine(heights_mm: list[float]) -> list[float]:
    low, high = heights_mm[0], heights_mm[-1]
    return [low + (high - low) * i / 40 for i in range(41)]


def _size(text: str, profile: CameraProfile) -> tuple[int, int]:
    if text:
        sides = text.lower().split("x")
        if len(sides) != 2 or not all(
            side.isdecimal() and 0 < int(side) < 100_000 for side in sides
        ):
            usage_error("--photo-px: two whole numbers such as 2592x1944")
        return int(sides[0]), int(sides[1])
    if profile.width_px is None or profile.height_px is None:
        usage_error("--photo-px: the profile has no [image], so say how large a photo is")
    return profile.width_px, profile.height_px


def _print_table(rows: list[Plan], now: Plan) -> None:
    table = Table(header_style="bold", box=SIMPLE, padding=(0, 1, 0, 0))
    for head in (
        "height\nmm", "scale\nmm/px", "worst in\na tile", "covers\nmm", "whole\ncells",
        "leaf seen,\nnamed, mm", "blur\npx", "photo takes\ns", "no gap up to\nmm/s",
        "overlap,\nworst, %", "sharp from\nto, mm",
    ):  # fmt: skip
        table.add_column(head, justify="right", no_wrap=True)
    for row in rows:
        table.add_row(*_cells(row), style="bold" if row.height_mm == now.height_mm else None)
    Console(highlight=False, width=max(Console().width, 130)).print(table)


def _cells(row: Plan) -> list[str]:
    low_ms, likely_ms, high_ms = row.photo_ms
    slow, likely, quick = row.gapless_speed_mm_per_s
    return [
        f"{row.height_mm:.0f}",
        f"{row.gsd_mm_per_px:.3f}",
        f"{row.worst_gsd_mm_per_px:.3f}",
        f"{row.covered_mm[0]:.0f} x {row.covered_mm[1]:.0f}",
        f"{row.cells}",
        f"{row.leaf_seen_mm:.1f}  {row.leaf_named_mm:.1f}",
        "-" if row.blur_px is None else f"{row.blur_px:.1f}",
        f"{likely_ms / 1000:.2g} ({low_ms / 1000:.2g}-{high_ms / 1000:.2g})",
        f"{likely:.0f} ({slow:.0f}-{quick:.0f})",
        "-" if row.overlap is None else f"{row.overlap[1] * 100:.0f}  {row.overlap[0] * 100:.0f}",
        "-" if row.sharp_mm is None else f"{row.sharp_mm[0]:.0f}-{row.sharp_mm[1]:.0f}",
    ]
