"""A model's thresholds made so strict that its harm is bounded, as far as data can show it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from training.evaluation.harm import Floats, hoeffding_bentkus, sites_needed, steps_passed
from training.evaluation.outcomes import Outcomes
from training.evaluation.pairs import Ought
from weedset.errors import ModelError, PolicyError, TrainingError
from weedset.modelcard import ClassCard, HarmBound, ModelCard
from weedset.records import ANY_PLANT, Policy

METHOD = (
    "learn-then-test (arXiv 2110.01052): Hoeffding-Bentkus p-values of the sites' shares, "
    "fixed-sequence testing from strict to lax"
)

#: The walk, strict to lax: a plant is treated at this probability, or at the card's own
#: `treat_at` where that is higher. Fixed beforehand, as the method asks.
WALK: tuple[float, ...] = (0.999, 0.998, 0.995, *(round(0.99 - i / 100, 2) for i in range(50)))


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked for: at most the share `at_most` of protected cells treated, how surely."""

    at_most: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Bounded:
    """What came of the walk.

    `treat_from` is the laxest probability that passed, None where none did. `loss` is the
    mean over sites of the share of protected cells treated there, `treated` the share of the
    cells to be treated; `loss_at_stop` is the mean of the first step that failed,
    None where all passed, and `blamed` counts its treated protected cells by the species
    that they were taken for. `sites_to_try` is how many sites it takes if none shows any
    harm, `sites_as_seen` if they go on as at the strictest step; None where it takes more than
    100,000, or no number will do.
    """

    card: ModelCard
    asked: Asked
    sites: tuple[str, ...]
    cells: int
    treat_from: float | None
    loss: float
    treated: float | None
    loss_at_stop: float | None
    blamed: tuple[tuple[str, int], ...]
    sites_to_try: int | None
    sites_as_seen: int | None


def walked(card: ModelCard, policy: Policy, outcomes: Outcomes, asked: Asked) -> Bounded:
    """Find the laxest thresholds whose harm is bounded, from sites that the model never saw.

    `outcomes` are those under the card's own thresholds, which the walk never goes below. A
    site without a protected cell says nothing and is left out.

    Raises what `require_boundable` raises, TrainingError where no site has a protected cell.
    """
    require_boundable(card, policy)
    protected = outcomes.ought == Ought.PROTECT
    sites, site_of = np.unique(outcomes.site[protected], return_inverse=True)
    if not len(sites):
        raise TrainingError(
            "no cell to be protected is among the labels, so nothing tells how many are harmed",
            fix="label cells that show crops, or other plants that the policy does not remove",
        )
    treated_from = _treated_from(card, policy, outcomes)
    hit = treated_from[:, None] >= np.array(WALK)
    losses = _by_site(hit[protected], site_of, len(sites))
    p_values = hoeffding_bentkus(losses.sum(0), len(sites), asked.at_most)
    passed = int(steps_passed(p_values, 1 - asked.confidence))
    treat_from = WALK[passed - 1] if passed else None
    means = losses.mean(0)
    not_enough = 0 if passed else len(sites)
    wanted = outcomes.ought == Ought.REMOVE
    treated = hit[wanted, passed - 1] if passed else np.zeros(int(wanted.sum()))
    bound = HarmBound(
        at_most=asked.at_most,
        confidence=asked.confidence,
        remove=tuple(sorted(_removed(policy))),
        sites=tuple(str(site) for site in sites),
        cells=int(protected.sum()),
        method=METHOD,
    )
    stop = passed if passed < len(WALK) else None
    return Bounded(
        card=replace(card, classes=_stricter(card, policy, treat_from), bound=bound),
        asked=asked,
        sites=bound.sites,
        cells=bound.cells,
        treat_from=treat_from,
        loss=float(means[passed - 1]) if passed else 0.0,
        treated=float(treated.mean()) if treated.size else None,
        loss_at_stop=None if stop is None else float(means[stop]),
        blamed=() if stop is None else _blamed(card, policy, outcomes, hit[:, stop] & protected),
        sites_to_try=sites_needed(asked.at_most, asked.confidence),
        sites_as_seen=sites_needed(asked.at_most, asked.confidence, float(means[0]), not_enough),
    )


def require_boundable(card: ModelCard, policy: Policy) -> None:
    """Raise where a bound could not be believed, or would say nothing.

    ModelError for a model that is bounded already or was held out by photo, PolicyError
    for a policy that removes nothing that the model may treat.
    """
    if card.bound is not None:
        raise ModelError(
            "has a bound on harm already; one bound after another until one suits proves nothing",
            where=card.name,
            fix="bound the file that `weedset export` wrote",
        )
    if card.split != "site":
        raise ModelError(
            "was held out by photo, not by site: photos of a garden that it learned from cannot "
            "tell what it does in another",
            where=card.name,
            fix="train on labels of at least three sites; until then, let it treat nothing",
        )
    removed = _removed(policy)
    if unknown := sorted(removed - set(card.codes)):
        what = f"removes {', '.join(unknown)}, which the model cannot tell"
        raise PolicyError(what, where=policy.name, fix=f"the model knows {', '.join(card.codes)}")
    if not any(item.treat_at is not None and item.code in removed for item in card.classes):
        raise PolicyError(
            "removes nothing that the model may treat by its own card: there is no harm to bound",
            where=policy.name,
            fix="`weedset card` shows the species that the model ever treats: name one of these",
        )


def _removed(policy: Policy) -> frozenset[str]:
    return policy.remove - policy.protect - {ANY_PLANT}


def _treated_from(card: ModelCard, policy: Policy, outcomes: Outcomes) -> Floats:
    """Return up to which probability each cell is treated, (n,); -1 where it never is.

    Cells that the card's own thresholds treat are so on account of the likeliest species
    that reaches its own; raising all thresholds to t spares those where that is below t.
    """
    places = _treatable(card, policy)
    reached = np.where(outcomes.surely[:, places], outcomes.found[:, places], -1.0)
    return np.where(outcomes.treated, reached.max(1), -1.0)


def _treatable(card: ModelCard, policy: Policy) -> list[int]:
    removed = _removed(policy)
    return [
        place
        for place, item in enumerate(card.classes)
        if item.code in removed and item.treat_at is not None
    ]


def _by_site(hit: NDArray[np.bool_], site_of: NDArray[np.intp], sites: int) -> Floats:
    """Return the share of each site's protected cells that is hit at each step, (sites, steps)."""
    count = np.zeros((sites, hit.shape[1]))
    np.add.at(count, site_of, hit)
    return np.asarray(count / np.bincount(site_of, minlength=sites)[:, None])


def _stricter(card: ModelCard, policy: Policy, treat_from: float | None) -> tuple[ClassCard, ...]:
    """Return the classes with the thresholds of a step; what was not walked is never treated."""
    removed = _removed(policy)

    def raised(item: ClassCard) -> float | None:
        if treat_from is None or item.treat_at is None or item.code not in removed:
            return None
        return max(item.treat_at, treat_from)

    return tuple(replace(item, treat_at=raised(item)) for item in card.classes)


def _blamed(
    card: ModelCard, policy: Policy, outcomes: Outcomes, harmed: NDArray[np.bool_]
) -> tuple[tuple[str, int], ...]:
    """Count harmed cells by the species that they were taken for, most first."""
    places = _treatable(card, policy)
    reached = np.where(outcomes.surely[:, places], outcomes.found[:, places], -1.0)[harmed]
    counts = np.bincount(reached.argmax(1), minlength=len(places)).tolist()
    named = [(card.classes[p].code, n) for p, n in zip(places, counts, strict=True) if n]
    return tuple(sorted(named, key=lambda item: (-item[1], item[0])))
