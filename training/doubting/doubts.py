"""Doubtful labels, strange tiles and how much is disputed: what all others say of each label.

Each label is compared with a model of the labels on other photos (on other sites, where
there are enough), so that none vouches for itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler, normalize

from training.doubting.confident import Floats, Noise, against, disputed, estimate_noise
from training.doubting.told import Told
from weedset.errors import TrainingError
from weedset.labelling import target
from weedset.records import ANY_PLANT, Verdict

#: A species is judged with so many tiles that show it, and that lack it. No source.
LEAST_EXAMPLES = 10

_FOLDS = 5

#: With fewer, a model of the others knows so little that shares say nothing: of five drawn photos
#: whose labels are exact it contradicts half. No source.
FEW_PHOTOS = 10

#: Inverse strength of regularisation; of 0.0003, 0.001 and 0.003 the best on real tiles.
_STRENGTH = 0.001

#: Neighbours by whose distance a tile is strange, and among how many they are looked for.
_NEIGHBOURS, _MOST_COMPARED = 10, 20_000

#: Tiles whose distances are held at a time.
_AT_ONCE = 500

_LEAST_CHANCE = 1e-6

#: Share of the labels that is listed if not said otherwise, and the fewest. No source.
_REVIEWED, _FEWEST = 0.05, 20

Embeddings = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Doubt:
    """A label that the others contradict: its place, what they suggest, and how sure they are.

    `sure` is the probability they give to the answer that the label contradicts most, about
    the species `code`.
    """

    place: int
    suggested: str
    code: str
    sure: float


@dataclass(frozen=True, slots=True)
class Dispute:
    """How many labels of a site or an annotator the others surely contradict.

    `low` and `high` bound the share with 95 % (Clopper & Pearson 1934, Biometrika 26:404-413),
    taking tiles as independent; neighbours are not quite, so the true interval is wider.
    """

    name: str
    tiles: int
    disputed: int
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Doubts:
    """What was found. `doubts` come worst first; `strange` are places, the strangest first."""

    folds_by: str
    doubts: tuple[Doubt, ...]
    strange: tuple[int, ...]
    noise: dict[str, Noise]
    not_judged: tuple[str, ...]
    sites: tuple[Dispute, ...]
    annotators: tuple[Dispute, ...]


def find_doubts(told: Sequence[Told], seen: Embeddings) -> Doubts:
    """Compare each label with all others; `seen` (tiles, n) is what the tiles look like.

    Raises TrainingError where there are too few labels to compare.
    """
    names, not_judged = judged_classes(told)
    labels = class_table(told, names)
    groups, folds_by = _groups(told)
    found = out_of_fold(seen, labels, groups)
    wrong = against(labels, found)
    contradicted = np.stack(
        [disputed(labels[:, i], found[:, i]) for i in range(len(names))], axis=1
    )
    flagged: NDArray[np.bool_] = np.asarray(contradicted.any(axis=1))
    order = np.argsort(-surprise(wrong), kind="stable")
    open_ones = [i for i in order.tolist() if flagged[i] and not told[i].decided]
    strange = [i for i in strangest(seen, [item.photo for item in told]) if not told[i].decided]
    return Doubts(
        folds_by=folds_by,
        doubts=tuple(_doubt(i, names, found[i], wrong[i]) for i in open_ones),
        strange=tuple(strange),
        noise={
            name: estimate_noise(labels[:, i], found[:, i])
            for i, name in enumerate(names)
            if name != ANY_PLANT
        },
        not_judged=not_judged,
        sites=_disputes(told, flagged, lambda item: item.site),
        annotators=_disputes(told, flagged, lambda item: item.statement.annotator),
    )


def narrowed(found: Doubts, told: Sequence[Told], contribution: str, most: int | None) -> Doubts:
    """Return the worst `most` doubts and strangest tiles, of one contribution unless "".

    None is a twentieth of the labels that come into question, as many as one may look at.
    """
    places = {i for i, item in enumerate(told) if contribution in ("", item.contribution)}
    most = max(_FEWEST, math.ceil(_REVIEWED * len(places))) if most is None else most
    return replace(
        found,
        doubts=tuple(doubt for doubt in found.doubts if doubt.place in places)[:most],
        strange=tuple(place for place in found.strange if place in places)[:most],
    )


def judged_classes(told: Sequence[Told]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what can be judged, and the species that cannot: too few with, or without.

    Raises TrainingError where nothing can be.
    """
    codes = sorted({code for item in told for code in item.statement.present})
    names = (ANY_PLANT, *codes)
    table = class_table(told, names)
    enough = ((table == 1).sum(0) >= LEAST_EXAMPLES) & ((table == 0).sum(0) >= LEAST_EXAMPLES)
    judged = tuple(name for name, ok in zip(names, enough, strict=True) if ok)
    if not judged or len({item.photo for item in told}) < 2:
        raise TrainingError(
            "has too few labels to compare with each other",
            where="labels",
            fix=f"label two photos or more, with {LEAST_EXAMPLES} tiles that show a species and "
            "as many that lack it",
        )
    return judged, tuple(code for code in codes if code not in judged)


def out_of_fold(seen: Embeddings, labels: NDArray[np.int8], groups: Sequence[str]) -> Floats:
    """Return the probability of presence (tiles, classes) by models of the other groups.

    Logistic regression for each class by itself, on what is known of it. NaN where the other
    groups hold one answer only.
    """
    found = np.full(labels.shape, np.nan)
    folds = GroupKFold(min(_FOLDS, len(set(groups))))
    for learn, ask in folds.split(seen, groups=groups):
        for i in range(labels.shape[1]):
            known = learn[labels[learn, i] >= 0]
            if len(np.unique(labels[known, i])) < 2:
                continue
            model = make_pipeline(StandardScaler(), LogisticRegression(C=_STRENGTH, max_iter=500))
            model.fit(seen[known], labels[known, i])
            found[ask, i] = model.predict_proba(seen[ask])[:, 1]
    return found


def surprise(wrong: Floats) -> Floats:
    """Return how unlikely each label is as a whole, (tiles,): the negative log-likelihood.

    Self-confidence (Northcutt et al. 2021) of a set of answers, each taken for independent;
    `wrong` are the probabilities that each answer is wrong, NaN where there is none.
    """
    chances = np.clip(1 - np.nan_to_num(wrong, nan=0.0), _LEAST_CHANCE, 1)
    return np.asarray(-np.log(chances).sum(axis=1))


def strangest(seen: Embeddings, photos: Sequence[str]) -> list[int]:
    """Return the tiles that look like hardly any other, the strangest first.

    By the mean distance to the nearest neighbours (Angiulli & Pizzuti 2002, Lect. Notes
    Comput. Sci. 2431:15-27) in other photos, of embeddings of length 1: all tiles of a photo
    may be strange alike. Those beyond the inner fence, one and a half quartile ranges above
    the third quartile (Tukey 1977, Exploratory Data Analysis). Of many tiles a random part
    stands for all as neighbours.
    """
    distances = neighbour_distances(seen, photos)
    if np.isnan(distances).all():
        return []
    low, high = np.nanquantile(distances, [0.25, 0.75])
    far = np.flatnonzero(distances > high + 1.5 * (high - low))
    return [int(i) for i in far[np.argsort(-distances[far], kind="stable")]]


def neighbour_distances(seen: Embeddings, photos: Sequence[str]) -> Floats:
    """Return how far each tile is from the nearest ones of other photos, in the mean, (tiles,).

    NaN where other photos have too few.
    """
    unit, photo_of = normalize(seen), np.unique(photos, return_inverse=True)[1]
    drawn = np.random.default_rng(0).permutation(len(unit))[:_MOST_COMPARED]
    found = np.full(len(unit), np.nan)
    if len(drawn) < _NEIGHBOURS:
        return found
    for start in range(0, len(unit), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        # Of vectors of length 1, |a - b|^2 = 2 - 2 a b.
        squares = 2 - 2 * (unit[some] @ unit[drawn].T)
        squares[photo_of[some, None] == photo_of[drawn]] = np.inf
        nearest = np.partition(squares, _NEIGHBOURS - 1, axis=1)[:, :_NEIGHBOURS]
        found[some] = np.sqrt(np.maximum(nearest, 0)).mean(axis=1)
    return np.where(np.isfinite(found), found, np.nan)


def class_table(told: Sequence[Told], names: Sequence[str]) -> NDArray[np.int8]:
    """Return what each label says of each class, (tiles, classes): 1, 0, or -1 for not known."""
    rows = [[target(item.statement, item.looked_for, name) for name in names] for item in told]
    return np.array(rows, np.int8).reshape(len(told), len(names))


def _groups(told: Sequence[Told]) -> tuple[list[str], str]:
    """Return what must not be on both sides of a fold, for each tile, and its name."""
    if len({item.site for item in told}) >= _FOLDS:
        return [item.site for item in told], "site"
    return [item.photo for item in told], "photo"


def _doubt(place: int, names: Sequence[str], found: Floats, wrong: Floats) -> Doubt:
    worst = int(np.nanargmax(wrong))
    likely = [name for name, p in zip(names, found.tolist(), strict=True) if p > 0.5]
    plants = [name for name in likely if name != ANY_PLANT]
    some = "some plant" if ANY_PLANT in likely else "no plant"
    return Doubt(place, ", ".join(plants) or some, names[worst], float(wrong[worst]))


def _disputes(
    told: Sequence[Told], flagged: NDArray[np.bool_], name_of: Callable[[Told], str]
) -> tuple[Dispute, ...]:
    places: dict[str, list[int]] = {}
    for place, item in enumerate(told):
        if item.statement.verdict is not Verdict.CANNOT_TELL:
            places.setdefault(name_of(item), []).append(place)
    return tuple(
        share_of(name, int(flagged[mine].sum()), len(mine)) for name, mine in sorted(places.items())
    )


def share_of(name: str, count: int, tiles: int) -> Dispute:
    """Return how many of the labels of `name` are disputed, with the interval of the share."""
    bounds = binomtest(count, tiles).proportion_ci(method="exact")
    return Dispute(name, tiles, count, float(bounds.low), float(bounds.high))
