"""How a plan changes with the height of the camera, as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from weedset.errors import CameraError
from weedset.planner import Plan
from weedset.plot import INK, SOFT, panels_into

_MARK = "#b8500f"

#: Legends hide the line of the height that passes behind them.
_BEFORE_LINES: dict[str, Any] = {"framealpha": 1, "edgecolor": "none"}


def draw_plans(rows: Sequence[Plan], now: Plan, path: Path) -> None:
    """Draw scale, ground, leaves and speed against height; the ending of `path` says how.

    Raises CameraError where the file cannot be written.
    """
    from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

    heights = [row.height_mm for row in rows]
    with panels_into(path, CameraError, (9, 6.5), 2, 2) as panels:
        scale, ground, leaf, speed = panels.flat

        scale.plot(heights, [row.gsd_mm_per_px for row in rows], INK, label="of the photo")
        scale.plot(
            heights,
            [row.worst_gsd_mm_per_px for row in rows],
            INK,
            ls="--",
            label="worst in a tile, as the model sees it",
        )
        scale.set(title="Scale", ylabel="mm per pixel")
        scale.legend(loc="lower right", **_BEFORE_LINES)

        ground.plot(heights, [row.cells for row in rows], INK)
        ground.set(title="Ground in one photo", ylabel="whole cells")

        leaf.plot(heights, [row.leaf_named_mm for row in rows], INK, label="to be named")
        leaf.plot(heights, [row.leaf_seen_mm for row in rows], INK, ls="--", label="to be seen")
        leaf.set(title="Smallest leaf", ylabel="mm across")
        leaf.legend(loc="lower right", **_BEFORE_LINES)

        low, likely, high = zip(*(row.gapless_speed_mm_per_s for row in rows), strict=True)
        speed.fill_between(heights, low, high, color=SOFT, alpha=0.4, lw=0, label="may be")
        speed.plot(heights, likely, INK, label="likely")
        limits = [row.sharp_speed_mm_per_s for row in rows if row.sharp_speed_mm_per_s is not None]
        if limits:
            speed.plot(heights, limits, _MARK, ls=":", label="blur of one pixel")
        speed.set(title="Highest speed without gaps", ylabel="mm per second", yscale="log")
        # Headroom for the legend, so that it covers no line.
        speed.set_ylim(min(*low, *limits) / 1.3, max(*high, *limits) * 2.5)
        speed.legend(loc="upper right", ncols=3, fontsize=9, **_BEFORE_LINES)
        speed.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
        speed.yaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
        speed.yaxis.set_minor_formatter(NullFormatter())

        for panel in panels.flat:
            panel.axvline(now.height_mm, color=_MARK, lw=1)
            panel.set_xlabel("height of the lens, mm (line: as the profile has it)", fontsize=8)
            panel.spines[["top", "right"]].set_visible(False)
            if panel is not speed:
                panel.set_ylim(bottom=0)
