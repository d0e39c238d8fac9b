"""Second looks: a blind sample for another annotator, and labels worth looking at again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from weedset.agreement import Agreement, cohens_kappa
from weedset.digests import bytes_digest
from weedset.labelling import in_words, newest_opinions, standing_opinion
from weedset.labelstore import LabelStore
from weedset.records import ANY_PLANT, Opinion, Origin, Statement, Verdict
from weedset.reviewlist import ReviewItem
from weedset.server.index import OPEN, TileIndex
from weedset.server.orders import Places
from weedset.server.suggest import Suggester

#: Votes of this many look-alikes are asked about each label, of at most so many labels.
_VOTERS = 9
_MOST_VOTING = 6000

#: A label is doubtful from this share of votes, or this probability, against it.
_AGAINST = 0.85

#: What two annotators can be compared on beside single species.
BARE_GROUND = "bare"


@dataclass(frozen=True, slots=True)
class Doubt:
    """A labelled tile worth a second look, and why, in words; worst first by `weight`."""

    place: int
    reason: str
    weight: float


def blind_sample(
    index: TileIndex, store: LabelStore, who: str, batch_id: str, count: int
) -> Places:
    """Return places of tiles that others labelled, for `who` to label without seeing how.

    A plain random sample, so that agreement on it speaks for all; drawn by the digest of
    each tile, so that it is the same tomorrow.
    """
    places = index.in_photo_order(batch_id)
    labelled = places[index.state[places] != OPEN]
    drawn = sorted(labelled.tolist(), key=lambda place: _lot(index, place))
    chosen: list[int] = []
    for start in range(0, len(drawn), count):
        part = drawn[start : start + count]
        ids = [int(index.ids[place]) for place in part]
        by_others = {
            tile_id
            for tile_id, history in store.histories(ids)
            if any(item.annotator != who for item in _said_alone(history))
        }
        chosen += [place for place in part if int(index.ids[place]) in by_others]
        if len(chosen) >= count:
            break
    return np.asarray(chosen[:count], np.intp)


def _lot(index: TileIndex, place: int) -> str:
    key = f"{index.photo_of(place).digest} {index.row[place]} {index.col[place]}"
    return bytes_digest(key.encode())


def _said_alone(history: Sequence[Opinion]) -> list[Opinion]:
    return [item for item in newest_opinions(history) if item.origin is not Origin.REVIEW]


def agreements(index: TileIndex, store: LabelStore, batch_id: str) -> dict[str, Agreement]:
    """Return how well two annotators agree, on bare ground and on each species.

    On tiles that two people labelled by themselves, the two first of each tile. What a
    statement leaves open (cannot tell, an unnamed plant, a doubtful species) is left out.
    """
    wanted = set(index.in_photo_order(batch_id).tolist())
    pairs: dict[str, list[tuple[int, int]]] = {}
    for tile_id, history in store.histories():
        said = _said_alone(history)
        place = index.place(tile_id)
        if len(said) < 2 or place not in wanted:
            continue
        first, second = (_said(item) for item in sorted(said, key=lambda o: o.annotator)[:2])
        looked_for = index.batch_of(place).looked_for
        for code in (BARE_GROUND, *sorted({*looked_for, *first.present, *second.present})):
            values = _value(first, code), _value(second, code)
            if None not in values:
                pairs.setdefault(code, []).append((bool(values[0]), bool(values[1])))
    return {code: cohens_kappa(both) for code, both in pairs.items()}


def _said(opinion: Opinion) -> Statement:
    assert opinion.statement is not None  # newest_opinions leaves out what was taken back
    return opinion.statement


def _value(statement: Statement, code: str) -> bool | None:
    if statement.verdict is Verdict.CANNOT_TELL:
        return None
    if code == BARE_GROUND:
        return statement.verdict is Verdict.BARE
    if code in statement.present:
        return True
    if code in statement.doubtful or statement.unknown_plant:
        return None
    return False


def doubts(
    index: TileIndex, store: LabelStore, suggester: Suggester | None, batch_id: str
) -> list[Doubt]:
    """Return the labels worth a second look that no review has decided, worst first."""
    wanted = set(index.in_photo_order(batch_id).tolist())
    stands: dict[int, Statement] = {}
    found: dict[int, Doubt] = {}
    for tile_id, history in store.histories():
        place = index.place(tile_id)
        opinion = standing_opinion(history)
        if place not in wanted or opinion is None or opinion.origin is Origin.REVIEW:
            continue
        stands[place] = _said(opinion)
        said = _said_alone(history)
        if len({(_said(item).verdict, _said(item).present) for item in said}) > 1:
            # Who said what stands below it on the page, with the names of the plants.
            found[place] = Doubt(place, f"{len(said)} people labelled it differently", 2.0)
    for doubt in (*_against_model(stands, suggester), *_against_look_alikes(stands, index)):
        found.setdefault(doubt.place, doubt)
    return sorted(found.values(), key=lambda doubt: (-doubt.weight, doubt.place))


def listed(
    index: TileIndex, store: LabelStore, items: Sequence[ReviewItem], batch_id: str
) -> list[Doubt]:
    """Return the tiles of a review list that are here and that no review has decided, in order."""
    places = index.in_photo_order(batch_id).tolist()
    here = {(index.photo_of(i).digest, int(index.row[i]), int(index.col[i])): i for i in places}
    decided = {
        index.place(tile_id)
        for tile_id, history in store.histories()
        if (opinion := standing_opinion(history)) and opinion.origin is Origin.REVIEW
    }
    found: dict[int, Doubt] = {}
    for number, item in enumerate(items):
        place = here.get((item.photo, item.row, item.col), -1)
        if place >= 0 and place not in decided:
            found.setdefault(place, Doubt(place, item.reason, -float(number)))
    return list(found.values())


def _against_model(stands: dict[int, Statement], suggester: Suggester | None) -> list[Doubt]:
    """Compare labels with a model on what it never learned from: out of fold, or not at all."""
    found: list[Doubt] = []
    if suggester is None:
        return found
    for place, statement in stands.items():
        answers = suggester.answers[place].astype(float).tolist()
        if statement.verdict is Verdict.CANNOT_TELL or not suggester.held_out(place):
            continue
        worst, weight = "", 0.0
        for code, p in zip(suggester.model.card.codes, answers, strict=True):
            value = _value(statement, code)
            if code == ANY_PLANT:
                value = statement.verdict is Verdict.PLANTS
            against = 0.0 if value is None else (1 - p if value else p)
            if against > max(weight, _AGAINST):
                worst, weight = f"the model gives {code} {p:.2f}", against
        if worst:
            found.append(Doubt(place, worst, weight))
    return found


def _against_look_alikes(stands: dict[int, Statement], index: TileIndex) -> list[Doubt]:
    """Compare each label with those of the tiles that look most like it.

    A tile has no vote on itself, nor have its neighbours, which show the same plant.
    """
    places = np.asarray(
        [
            place
            for place, statement in stands.items()
            if statement.verdict is not Verdict.CANNOT_TELL
            and not np.isnan(index.features[place, 0])
        ][:_MOST_VOTING],
        np.intp,
    )
    if len(places) < 3 * _VOTERS:
        return []
    labels = np.asarray([in_words(stands[place]) for place in places.tolist()])
    vectors = index.features[places].astype(np.float32)
    norms = np.einsum("ij,ij->i", vectors, vectors)
    found = []
    for i, place in enumerate(places.tolist()):
        distances = norms - 2 * (vectors @ vectors[i])
        distances[_neighbours(index, places, place)] = np.inf
        voters = np.argpartition(distances, _VOTERS)[:_VOTERS]
        names, votes = np.unique(labels[voters], return_counts=True)
        share = float(votes.max()) / _VOTERS
        if names[votes.argmax()] != labels[i] and share > _AGAINST:
            reason = f"{votes.max()} of {_VOTERS} look-alikes are {names[votes.argmax()]}"
            found.append(Doubt(place, reason, share))
    return found


def _neighbours(index: TileIndex, places: Places, place: int) -> NDArray[np.bool_]:
    return np.asarray(
        (index.photo[places] == index.photo[place])
        & (np.abs(index.row[places] - index.row[place]) <= 1)
        & (np.abs(index.col[places] - index.col[place]) <= 1)
    )
