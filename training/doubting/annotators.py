"""How well people agree who labelled the same pictures, two by two."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

from training.doubting.told import Sayings
from weedset.agreement import Agreement, cohens_kappa
from weedset.labelling import target
from weedset.records import ANY_PLANT


@dataclass(frozen=True, slots=True)
class PairAgreement:
    """How well two people agree about a species, or about there being any plant at all."""

    one: str
    other: str
    code: str
    agreement: Agreement


def pair_agreements(sayings: Iterable[Sayings]) -> list[PairAgreement]:
    """Return for each two people and each species Cohen's kappa, by names.

    Where one of the two leaves a species open (doubtful, not looked for, an unnamed plant,
    cannot tell) the tile is left out.
    """
    pairs: dict[tuple[str, str, str], list[tuple[int, int]]] = {}
    for group in sayings:
        by_name = sorted(group, key=lambda saying: saying[0].annotator)
        for (first, first_looked), (second, second_looked) in combinations(by_name, 2):
            if first.annotator == second.annotator:
                continue
            codes = first_looked | second_looked | first.present | second.present
            for code in (ANY_PLANT, *sorted(codes)):
                said = target(first, first_looked, code), target(second, second_looked, code)
                if -1 not in said:
                    pairs.setdefault((first.annotator, second.annotator, code), []).append(said)
    return [PairAgreement(*names, cohens_kappa(said)) for names, said in sorted(pairs.items())]
