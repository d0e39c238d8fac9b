"""Reliability curves as a picture: what was said against what was true."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from pathlib import Path

from training.evaluation.scores import SpeciesScore
from weedset.errors import SettingsError
from weedset.plot import INK, SOFT, panels_into

_ACROSS = 4


def write_reliability(species: Sequence[SpeciesScore], path: Path) -> None:
    """Draw a panel for each class; the area of a dot says how many cells are behind it.

    Raises SettingsError where the file cannot be written.
    """
    shown = [(item, item.reliability) for item in species if item.reliability is not None]
    rows, cols = max(1, ceil(len(shown) / _ACROSS)), max(1, min(len(shown), _ACROSS))
    with panels_into(path, SettingsError, (2.7 * cols, 2.9 * rows), rows, cols) as panels:
        flat = list(getattr(panels, "flat", [panels]))
        for panel, (item, curve) in zip(flat, shown, strict=False):
            said = [bin_.mean_probability for bin_ in curve.bins]
            true = [bin_.share_present for bin_ in curve.bins]
            sizes = [10 + 190 * bin_.cells / curve.cells for bin_ in curve.bins]
            panel.plot([0, 1], [0, 1], color=SOFT, linewidth=1, linestyle="--")
            panel.plot(said, true, color=INK, linewidth=1)
            panel.scatter(said, true, s=sizes, color=INK, zorder=3, clip_on=False)
            panel.set_title(f"{item.code}   off by {curve.error:.3f}", fontsize=9)
            panel.set(xlim=(0, 1), ylim=(0, 1), aspect="equal")
            panel.set_xlabel("probability given", fontsize=8)
            panel.set_ylabel("share present", fontsize=8)
            panel.tick_params(labelsize=7)
        for panel in flat[len(shown) :]:
            panel.axis("off")
