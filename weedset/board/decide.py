"""The one rule by which probabilities become decisions, and the policy it obeys.

Its order is its safety: protection is asked first, and whatever is odd is left alone.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from weedset.errors import PolicyError
from weedset.fields import Fields, read_toml
from weedset.modelcard import ClassCard, ModelCard
from weedset.records import ANY_PLANT, Action, Decision, Policy

#: The policy when none is given.
TREAT_NOTHING = Policy("treat nothing", frozenset(), frozenset())

#: How much coarser than all photos a model learned from a photo may be; common practice,
#: no source. Beyond, plants shrink to fewer pixels than the model ever saw them in.
_COARSER_BY = 1.25

#: Float32 arithmetic at the ends: the last of 255 int8 steps can come out as 1.0000001.
_ROUNDING = 1e-6

_WHAT_A_POLICY_IS = (
    'name a policy, a TOML file such as: name = "beds" and, on a line of its own, '
    'remove = ["CHEAL"]; what it does not list is left alone'
)

#: A species may be left out of a model for want of examples, and is then no misspelling.
_NOT_IN_THE_MODEL = {
    "remove": "take it out for this model, or train with more examples of it",
    "protect": "train with more examples of it: this model cannot protect what it cannot tell",
}


def read_policy(path: Path, known_codes: Sequence[str]) -> Policy:
    """Read a garden's policy from a TOML file: `name`, `remove`, and perhaps `protect`.

    `known_codes` are those of the model's card. Raises PolicyError, naming file and field,
    for what is missing, misspelt, contradictory, or a species the model does not know.
    """
    fields = read_toml(path, PolicyError)
    fields.knows("protect")
    for needed in ("name", "remove"):
        if needed not in fields:
            raise fields.complaint(needed, "is missing", _WHAT_A_POLICY_IS)
    name = fields.text("name")
    remove = _read_species(fields, "remove", known_codes)
    protect = _read_species(fields, "protect", known_codes) if "protect" in fields else frozenset()
    fields.done()
    if both := sorted(remove & protect):
        fix = "keep each species in one of the two lists"
        raise fields.complaint("protect", f"lists {', '.join(both)}, as does remove", fix)
    return Policy(name, remove, protect)


def _read_species(fields: Fields, name: str, known_codes: Sequence[str]) -> frozenset[str]:
    codes = fields.texts(name)
    known = [code for code in known_codes if code != ANY_PLANT]
    for code in codes:
        if code == ANY_PLANT:
            fix = "list species: what is not listed is protected"
            raise fields.complaint(name, f"lists {code}, which is any plant at all", fix)
        if code not in known:
            near = difflib.get_close_matches(code.strip().upper(), known, 1)
            fix = f"did you mean {near[0]}?" if near else f"the model knows {', '.join(known)}"
            fix = fix if near else f"{_NOT_IN_THE_MODEL[name]}; {fix}"
            raise fields.complaint(name, f"lists {code!r}, which the model cannot tell", fix)
    return frozenset(codes)


def scale_fits(card: ModelCard, gsd_mm_per_px: float) -> str | None:
    """Return why a photo or cell of this scale is not for this model, or None where it is.

    Finer ones fit: they are averaged down to the model's own scale.
    """
    if gsd_mm_per_px <= _COARSER_BY * card.gsd_max_mm_per_px:
        return None
    return (
        f"too coarse: {gsd_mm_per_px:.3g} mm per px, while the model learned from "
        f"{card.gsd_max_mm_per_px:.3g} at most"
    )


def outside_bound(card: ModelCard, policy: Policy) -> str | None:
    """Return why a model whose harm is bounded may treat nothing under a policy, or None.

    Another choice of species protects other plants, of which the bound says nothing: even
    a shorter list does, since what it no longer names may be taken for what it still does.
    """
    wanted = policy.remove - policy.protect
    if card.bound is None or not wanted or wanted == set(card.bound.remove):
        return None
    return (
        f"the model's bound on harm holds for removing {', '.join(card.bound.remove)}, "
        f"not {', '.join(sorted(wanted))}"
    )


def is_probability(p: float) -> bool:
    """Say whether what a model gave is a probability, give or take rounding."""
    return -_ROUNDING <= p <= 1 + _ROUNDING  # NaN is none either


def treats_nothing(card: ModelCard, policy: Policy) -> str | None:
    """Return why a model treats nothing at all under a policy, or None where it may treat."""
    wanted = policy.remove - policy.protect - {ANY_PLANT}
    if not wanted:
        return "the policy removes nothing"
    if outside := outside_bound(card, policy):
        return outside
    if any(item.treat_at is not None and item.code in wanted for item in card.classes):
        return None
    why = (
        "did not show that it may" if card.bound is None else "could not support its bound on harm"
    )
    return f"the model never treats {', '.join(sorted(wanted))}: the labels {why}"


def never_treated(card: ModelCard, policy: Policy) -> tuple[str, ...]:
    """Return the species that a policy removes and the model never treats."""
    wanted = policy.remove - policy.protect
    return tuple(
        item.code for item in card.classes if item.treat_at is None and item.code in wanted
    )


class Rule:
    """The rule for one model under one policy, made once and asked for each cell."""

    def __init__(self, card: ModelCard, policy: Policy) -> None:
        self.codes = card.codes
        self._classes = len(card.classes)
        to_remove = policy.remove - policy.protect - {ANY_PLANT}
        protected = _places(card, lambda code: code not in to_remove and code != ANY_PLANT)
        removable = _places(card, lambda code: code in to_remove)
        any_plant = _places(card, lambda code: code == ANY_PLANT)
        treatable = _reached(removable, lambda item: item.treat_at)
        outside = outside_bound(card, policy)
        treat = (
            _Step(Action.TREAT, treatable, _here)
            if outside is None
            else _Step(Action.UNSURE, treatable, lambda item, p: f"{_here(item, p)}, but {outside}")
        )
        # The first step that any of its classes reaches decides.
        self._steps: tuple[_Step, ...] = (
            _Step(Action.LEAVE, _reached(protected, lambda item: item.doubt_at), _seen),
            treat,
            _Step(Action.UNSURE, _reached(removable, lambda item: item.doubt_at), _unsure),
            _Step(Action.UNSURE, _reached(any_plant, lambda item: item.present_at), _unnamed),
        )

    def weigh(self, probabilities: Sequence[float]) -> tuple[Decision, str | None]:
        """Return the decision on one cell, and the species on which it turned, if any."""
        if len(probabilities) != self._classes:
            raise ValueError(f"{len(probabilities)} probabilities for {self._classes} classes")
        for p in probabilities:
            if not is_probability(p):
                return Decision(Action.LEAVE, f"the model gave {p:g}, no probability"), None
        for step in self._steps:
            if found := _likeliest(step.reached, probabilities):
                item, p = found
                return Decision(step.action, step.words(item, p)), item.code
        return Decision(Action.LEAVE, "nothing to remove"), None


#: A class, its place among the outputs, and from which probability on it counts.
_Reached = tuple[int, float, ClassCard]


@dataclass(frozen=True, slots=True)
class _Step:
    action: Action
    reached: tuple[_Reached, ...]
    words: Callable[[ClassCard, float], str]


def _places(card: ModelCard, chosen: Callable[[str], bool]) -> list[tuple[int, ClassCard]]:
    return [(index, item) for index, item in enumerate(card.classes) if chosen(item.code)]


def _reached(
    places: list[tuple[int, ClassCard]], threshold: Callable[[ClassCard], float | None]
) -> tuple[_Reached, ...]:
    """Pair classes with their threshold; a class that has none never counts."""
    return tuple(
        (index, least, item) for index, item in places if (least := threshold(item)) is not None
    )


def _likeliest(
    reached: tuple[_Reached, ...], probabilities: Sequence[float]
) -> tuple[ClassCard, float] | None:
    """Return the likeliest class that reaches its own threshold."""
    best: tuple[ClassCard, float] | None = None
    for index, least, item in reached:
        p = probabilities[index]
        if p >= least and (best is None or p > best[1]):
            best = item, p
    return best


def _seen(item: ClassCard, p: float) -> str:
    return f"{item.code} {'is' if p >= item.present_at else 'may be'} here ({p:.2f})"


def _here(item: ClassCard, p: float) -> str:
    return f"{item.code} is here ({p:.2f})"


def _unsure(item: ClassCard, p: float) -> str:
    if item.treat_at is None:
        return f"{_seen(item, p)}, but the model was never found safe enough to treat it"
    return f"{_seen(item, p)}, but less surely than treating needs ({item.treat_at:.2f})"


def _unnamed(_item: ClassCard, p: float) -> str:
    return f"some plant is here ({p:.2f}), but none that the model can name"
