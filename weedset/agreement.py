"""How well two people agree beyond chance."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

#: Standard normal quantile for a two-sided interval of 95 %.
_Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Agreement:
    """Cohen's kappa over `count` tiles, with its approximate 95 % interval.

    `kappa` is None where chance alone would explain everything: both said the same of
    every tile, so that there was nothing to tell apart. `low` and `high` are None with
    it, and where the interval cannot be told because nothing differed.
    """

    count: int
    same: int
    kappa: float | None
    low: float | None
    high: float | None


def cohens_kappa(pairs: Sequence[tuple[int, int]]) -> Agreement:
    """Compare two people's categories, one pair per tile.

    Kappa: Cohen 1960, Educ. Psychol. Meas. 20:37-46. Interval: kappa +- 1.96 times the
    large-sample standard error of Fleiss, Cohen and Everitt 1969, Psychol. Bull.
    72:323-327. It takes tiles as independent; neighbouring cells are not quite, so the
    true interval is somewhat wider.
    """
    count = len(pairs)
    same = sum(one == other for one, other in pairs)
    categories = sorted({category for pair in pairs for category in pair})
    if count == 0 or len(categories) < 2:
        return Agreement(count, same, None, None, None)
    counts = Counter(pairs)
    share = {(i, j): counts[i, j] / count for i in categories for j in categories}
    first = {i: sum(share[i, j] for j in categories) for i in categories}
    second = {j: sum(share[i, j] for i in categories) for j in categories}
    observed = sum(share[i, i] for i in categories)
    by_chance = sum(first[i] * second[i] for i in categories)
    kappa = (observed - by_chance) / (1 - by_chance)
    rest = 1 - kappa
    on = sum(share[i, i] * (1 - (first[i] + second[i]) * rest) ** 2 for i in categories)
    off = rest**2 * sum(
        share[i, j] * (second[i] + first[j]) ** 2 for i in categories for j in categories if i != j
    )
    variance = (on + off - (kappa - by_chance * rest) ** 2) / (count * (1 - by_chance) ** 2)
    if variance <= 0:
        return Agreement(count, same, kappa, None, None)
    margin = _Z95 * math.sqrt(variance)
    return Agreement(count, same, kappa, max(-1.0, kappa - margin), min(1.0, kappa + margin))
