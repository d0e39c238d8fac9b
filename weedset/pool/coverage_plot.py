"""How well species and growth stages are covered, as a picture."""

from __future__ import annotations

from pathlib import Path

from weedset.errors import PoolError
from weedset.plot import INK, SOFT, panels_into
from weedset.pool.coverage import LEAST_TILES, STAGES, Coverage, coverage_rows


def draw_coverage(cover: Coverage, path: Path) -> None:
    """Draw a square for each species and stage, with its count; full squares are covered.

    Raises PoolError where the file cannot be written.
    """
    from matplotlib.patches import Rectangle

    codes = [str(row["species"]) for row in coverage_rows(cover)]
    height = 1.6 + 0.34 * len(codes)
    with panels_into(path, PoolError, (5.5, height)) as panel:
        for y, code in enumerate(codes):
            for x, stage in enumerate(STAGES):
                count = cover.stages[code, stage]
                side = 0.86 * min(1.0, count / LEAST_TILES) ** 0.5
                corner = (x - side / 2, y - side / 2)
                panel.add_patch(Rectangle(corner, side, side, color=SOFT, lw=0))
                panel.text(x, y, str(count), ha="center", va="center", color=INK, fontsize=9)
        panel.set_xlim(-0.5, len(STAGES) - 0.5)
        panel.set_ylim(len(codes) - 0.5, -0.5)
        panel.set_xticks(range(len(STAGES)), [str(stage) for stage in STAGES])
        panel.set_yticks(range(len(codes)), codes)
        panel.set_xlabel("growth stage (first digit of the BBCH code)")
        panel.set_title(f"Tiles; a full square is {LEAST_TILES} or more", fontsize=10)
        panel.spines[["top", "right", "left", "bottom"]].set_visible(False)
        panel.tick_params(length=0)
