"""From a model file to one whose harm is bounded, and what to say of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import onnx

from training.evaluation.bound import Asked, Bounded, require_boundable, walked
from training.evaluation.evaluate import Which, trial
from training.evaluation.outcomes import tabulate
from training.export import write_with_card
from training.sources import Source
from weedset.board.model import open_model
from weedset.digests import require_writable
from weedset.errors import CheckNotPassedError, ModelError, TrainingError
from weedset.records import Policy
from weedset.talk import counted


def bound_file(
    path: Path,
    source: Source,
    policy: Policy,
    asked: Asked,
    out: Path,
    which: Which = "test",
    keep: Sequence[str] = (),
) -> Bounded:
    """Write the model file with thresholds and a card whose harm is bounded, whole or not at all.

    Where the data cannot show the bound, the file that is written treats nothing. Sites in
    `keep` are left to judge by; those that are used are named in the card, and judge no more.

    Raises what opening, judging and `walked` raise; TrainingError for a site to keep that is
    not among those held out.
    """
    require_writable(out, ModelError)
    model = open_model(path, threads=2)
    require_boundable(model.card, policy)
    outcomes = tabulate(trial(model, source, policy, which), model.card, policy)
    if strangers := sorted(set(keep) - set(outcomes.site.tolist())):
        raise TrainingError(
            f"{', '.join(strangers)} is no site that the bound could use",
            where="--keep",
            fix=f"sites that were held out: {', '.join(np.unique(outcomes.site))}",
        )
    if set(keep) == set(outcomes.site.tolist()):
        raise TrainingError(
            f"keeps {', '.join(sorted(set(keep)))}, and no other site was held out to bound by",
            where="--keep",
            fix="hold out more sites when training, or name others that the model never saw, "
            "with --all",
        )
    used = outcomes.where(~np.isin(outcomes.site, list(keep)))
    bounded = walked(model.card, policy, used, asked)
    write_with_card(onnx.load(path), bounded.card, out)
    return bounded


def require_support(bounded: Bounded, out: Path) -> None:
    """Raise CheckNotPassedError where the data could not show the bound at any threshold."""
    if bounded.treat_from is not None:
        return
    have, need = len(bounded.sites), bounded.sites_as_seen
    if need is None:
        more = (
            "no number of sites that anyone could gather will do, since even at the strictest "
            f"threshold {bounded.loss_at_stop:.2%} are treated, on average over these sites"
        )
        fix = "train on more labels of what is harmed, or remove fewer species in the policy"
    else:
        missing = need - have
        more = (
            f"if sites go on like {'these' if have > 1 else 'this one'}, it takes {need}: "
            f"{missing} more, with about {missing * bounded.cells / have:.0f} more protected cells"
        )
        fix = "label cells of more gardens, allow a larger share, or ask for less confidence"
    raise CheckNotPassedError(
        f"treats nothing, since the labels cannot support the bound; {more}",
        where=str(out),
        fix=fix,
    )


def bounded_lines(bounded: Bounded, policy: Policy) -> Iterator[str]:
    """Yield what was found, for people."""
    asked, have = bounded.asked, len(bounded.sites)
    yield (
        f"policy {policy.name!r}; judged on {bounded.cells} protected cells of "
        f"{counted(have, 'site')}, a site counting as one"
    )
    if bounded.treat_from is None:
        yield "NOT BOUNDED: every species is left untreated"
        yield (
            f"to show at most {asked.at_most:.2%} with {asked.confidence:.0%} confidence takes "
            f"{bounded.sites_to_try or 'more than 100,000'} sites, even if not one protected cell "
            "is treated on any of them"
        )
    else:
        yield (
            f"BOUNDED: with {asked.confidence:.0%} confidence at most {asked.at_most:.2%} of "
            "the protected cells of a garden are treated, on average over gardens of which "
            "these are a fair draw"
        )
        yield (
            f"measured: {bounded.loss:.3%} of them, treating plants from a probability of "
            f"{bounded.treat_from:g} on"
        )
        if bounded.treated is not None:
            yield f"of the cells to be treated, {bounded.treated:.1%} are"
    if bounded.loss_at_stop is not None and bounded.treat_from is not None:
        yield f"one step laxer, {bounded.loss_at_stop:.3%} would be treated, too much to show it"
    for code, count in bounded.blamed:
        yield f"  {counted(count, 'protected cell')} would be taken for {code}"
    for item in bounded.card.classes:
        if item.treat_at is not None:
            yield f"  {item.code}: treated from {item.treat_at:.3f} on"
    if bounded.treat_from is not None:
        yield (
            "A garden may still fare worse than the average, and one unlike these is outside the "
            "bound."
        )
    yield "Cells whose label does not tell were not counted."


def bounded_record(bounded: Bounded) -> dict[str, Any]:
    """Return what was found as a record for JSON."""
    found = asdict(bounded)
    thresholds = {item.code: item.treat_at for item in bounded.card.classes}
    del found["card"], found["asked"]
    return {"record": "bound", **asdict(bounded.asked), **found, "treat_at": thresholds}
