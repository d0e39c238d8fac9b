"""What scores mean on the ground: weeds missed and crop plants hit along a row."""

from __future__ import annotations

from dataclasses import dataclass

from training.evaluation.intervals import Interval
from training.evaluation.scores import Scores, Share
from training.figures import rounded_down, rounded_up
from training.metrics import upper_bound

ROW_M = 100


@dataclass(frozen=True, slots=True)
class Planting:
    """How a row is planted, and how wide a band along it is worked. None of it is measured."""

    weeds_per_m2: float
    crops_per_m: float
    band_mm: float


@dataclass(frozen=True, slots=True)
class Count:
    """How many plants to expect in `of` plants, with the interval of the share behind it.

    `upper_95` is what cannot be excluded even if cells were independent.
    """

    expected: float | None
    of: float
    low: float | None
    high: float | None
    upper_95: float | None


@dataclass(frozen=True, slots=True)
class RowForecast:
    """What to expect along ROW_M metres of row.

    `by_name` says whether "crop" are the plants that the policy names to protect, or, where it
    names none or no such cell was judged, all that are protected.
    """

    planting: Planting
    weeds_missed: Count
    crops_hit: Count
    by_name: bool


def forecast(scores: Scores, planting: Planting) -> RowForecast:
    """Return what shares of cells come to in plants.

    A plant counts as treated where its cell is: one that fills several cells is hit more
    often than this says, and one tool that does not fill its cell less often. Weeds are spread
    evenly, so that as many stand beside crop plants as among the cells that were judged; those
    that are left for a plant to protect beside them are missed too.
    """
    weeds = planting.weeds_per_m2 * ROW_M * planting.band_mm / 1000
    by_name = scores.crop_harm.cells > 0
    harm = scores.crop_harm if by_name else scores.harm
    return RowForecast(
        planting=planting,
        weeds_missed=_count(_missed(scores.weeds), weeds),
        crops_hit=_count(harm, planting.crops_per_m * ROW_M),
        by_name=by_name,
    )


def count_words(count: Count) -> tuple[str, str, str]:
    """Return what is to be expected, of how many plants, and what would be no surprise, or ""."""
    of = f"{count.of:.{_digits(count.of)}f}"
    if count.expected is None:
        return "cannot be told: no such cell was judged", of, ""
    surprise = ""
    if count.low is not None and count.high is not None:
        digits = _digits(count.high)
        surprise = f"{rounded_down(count.low, digits):.{digits}f} to "
        surprise += f"{rounded_up(count.high, digits):.{digits}f}"
    elif not count.expected and count.upper_95 is not None:
        digits = _digits(count.upper_95)
        surprise = f"up to {rounded_up(count.upper_95, digits):.{digits}f}, or more"
    return f"{count.expected:.{_digits(count.expected)}f}", of, surprise


def _digits(plants: float) -> int:
    return 0 if plants >= 10 else 1


def _missed(treated: Share) -> Share:
    shown = treated.range
    turned = None if shown is None else Interval(1 - shown.high, 1 - shown.low, shown.draws)
    missed = treated.cells - treated.hits
    return Share(missed, treated.cells, turned, upper_bound(missed, treated.cells))


def _count(share: Share, plants: float) -> Count:
    def times(value: float | None) -> float | None:
        return None if value is None else value * plants

    low, high = (None, None) if share.range is None else (share.range.low, share.range.high)
    return Count(times(share.value), plants, times(low), times(high), times(share.upper_95))
