"""How a row is planted, as options say it: whole, or not at all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from weedset.cli.door import usage_error

if TYPE_CHECKING:
    from training.evaluation.per_row import Planting

WeedsOption = Annotated[
    float | None, typer.Option(min=0, help="Weeds per m2 of bed: tells how many are missed.")
]
CropsOption = Annotated[
    float | None, typer.Option(min=0, help="Crop plants per m of row: tells how many are hit.")
]
BandOption = Annotated[
    float | None, typer.Option(min=0, help="Width of the band worked along a row, in mm.")
]


def planting_of(
    weeds_per_m2: float | None, crops_per_m: float | None, band_mm: float | None
) -> Planting | None:
    """Return what was said of a row, None where nothing was; half of it is a usage error."""
    from training.evaluation.per_row import Planting

    if weeds_per_m2 is None and crops_per_m is None and band_mm is None:
        return None
    if weeds_per_m2 is None or crops_per_m is None or band_mm is None:
        usage_error("give --weeds-per-m2, --crops-per-m and --band-mm together: none is supposed")
    return Planting(weeds_per_m2, crops_per_m, band_mm)
