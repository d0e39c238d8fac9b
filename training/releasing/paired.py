"""What two models do on the same cells: is the difference more than luck?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import binom


@dataclass(frozen=True, slots=True)
class Discord:
    """On how many cells two models both did something, only one of them did, or neither.

    `p_two_sided` and `p_new_does_more` are McNemar's exact test: how likely so uneven a split
    of the cells on which they differ would be (either way, or towards the new model) if both
    did it equally often. It takes cells for independent, which neighbours are not.
    """

    both: int
    only_new: int
    only_old: int
    neither: int
    p_two_sided: float
    p_new_does_more: float


def discord(new: Sequence[bool], old: Sequence[bool]) -> Discord:
    """Compare what two models did on the same cells, in the same order."""
    pairs = list(zip(new, old, strict=True))
    only_new, only_old = pairs.count((True, False)), pairs.count((False, True))
    differ = only_new + only_old
    tail = float(binom.cdf(min(only_new, only_old), differ, 0.5))
    return Discord(
        both=pairs.count((True, True)),
        only_new=only_new,
        only_old=only_old,
        neither=pairs.count((False, False)),
        p_two_sided=min(1.0, 2 * tail),
        p_new_does_more=float(binom.sf(only_new - 1, differ, 0.5)),
    )
