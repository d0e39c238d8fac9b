"""The planner's verb: what a camera at a height will see, before anything is built."""

from __future__ import annotations

from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.box import SIMPLE_HEAD
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


Board = StrEnum("Board", {name.upper(): name for name in BOARDS})  # type: ignore[misc]
_SLOWEST = Board("a53")


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
        str, typer.Option(help="Size of a photo in px, such as 2592x1944, if the profile has none.")
    ] = "",
    cell_mm: Annotated[float, typer.Option(min=1, help="Side of a cell, in mm.")] = DEFAULT_CELL_MM,
    input_px: Annotated[int, typer.Option(min=8, help="Side of the model's input, in px.")] = 96,
    net_mmac: Annotated[
        float, typer.Option(min=0.1, help="Million multiply-accumulates of the net per cell.")
    ] = 12.9,
    board: Annotated[Board, typer.Option(help="The class of the board.")] = _SLOWEST,
    speed_mm_s: Annotated[float | None, typer.Option(min=0, help="Travel speed, in mm/s.")] = None,
    exposure_ms: Annotated[
        float | None, typer.Option(min=0.001, help="Exposure time, in ms.")
    ] = None,
    f_number: Annotated[
        float | None, typer.Option(min=0.5, help="Aperture, as the N of f/N.")
    ] = None,
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
    where = str(camera)
    now = plan(profile, trip, where)
    heights_mm = [
        now.height_mm * share for share in _SHARES if now.height_mm * share > profile.plants.most_mm
    ]
    rows = plans(profile, trip, heights_mm, where)
    if as_json:
        for row in rows:
            emit(asdict(row))
    else:
        _print_table(rows, now)
        _say_what_it_rests_on(rows, now, trip)
    if plot is not None:
        from weedset.plan_plot import draw_plans

        draw_plans(plans(profile, trip, _fine(heights_mm), where), now, plot)
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
    """Print facts below each other and heights side by side: so it fits 80 columns."""
    table = Table(header_style="bold", box=SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("height of the lens, mm\n", no_wrap=True)
    for row in rows:
        here = row.height_mm == now.height_mm
        table.add_column(
            f"{row.height_mm:.0f}\n{'(now)' if here else ''}",
            justify="right", no_wrap=True, style="bold" if here else None,
        )  # fmt: skip
    columns = [_facts(row) for row in rows]
    for name in columns[0]:
        shown = [column[name] for column in columns]
        if any(shown):
            table.add_row(name, *(text or "-" for text in shown))
    Console(highlight=False, width=max(Console().width, 80)).print(table)


def _facts(row: Plan) -> dict[str, str]:
    """Return what a plan says, by its name and unit; a blank where that is not known."""
    low_ms, likely_ms, high_ms = row.photo_ms
    slow, likely, quick = row.gapless_speed_mm_per_s
    least, usual, _ = row.overlap or (None, None, None)
    near, far = row.sharp_mm or (None, None)
    return {
        "scale, mm/px": f"{row.gsd_mm_per_px:.3f}",
        "  worst in a tile": f"{row.worst_gsd_mm_per_px:.3f}",
        "covers along, mm": f"{row.covered_mm[0]:.0f}",
        "  across, mm": f"{row.covered_mm[1]:.0f}",
        "whole cells": f"{row.cells}",
        "leaf to be seen, mm": f"{row.leaf_seen_mm:.1f}",
        "  to be named, mm": f"{row.leaf_named_mm:.1f}",
        "photo likely takes, s": _brief(likely_ms / 1000),
        "  at best, s": _brief(low_ms / 1000),
        "  at worst, s": _brief(high_ms / 1000),
        "no gap up to, likely, mm/s": f"{likely:.0f}",
        "  at best, mm/s": f"{quick:.0f}",
        "  at worst, mm/s": f"{slow:.0f}",
        "blur, px": "" if row.blur_px is None else f"{row.blur_px:.1f}",
        "overlap likely, %": "" if usual is None else f"{usual * 100:.0f}",
        "  at worst, %": "" if least is None else f"{least * 100:.0f}",
        "sharp from, mm": "" if near is None else f"{near:.0f}",
        "  to, mm": "" if far is None else f"{far:.0f}",
    }


def _brief(number: float) -> str:
    return f"{number:.2f}" if number < 1 else f"{number:.1f}" if number < 10 else f"{number:.0f}"


def _say_what_it_rests_on(rows: list[Plan], now: Plan, trip: Trip) -> None:
    say(f"Board: {trip.board.words}, a net of {trip.net_mmac:g} million multiply-accumulates.")
    say(
        f"Leaves: {SEEN_PX:g} px across to be seen as a plant, {NAMED_PX:g} px to be named "
        "(Johnson 1958, made for people; common practice for plants)."
    )
    limited = [row.height_mm for row in rows if row.worst_gsd_mm_per_px == trip.model_mm_per_px]
    if limited:
        say(
            f"Up to {max(limited):.0f} mm the model sets the worst scale and the leaves, not the "
            f"photo: it sees a cell of {trip.cell_mm:g} mm as {trip.input_px} px."
        )
    say(in_words(now, rows[-1]))
