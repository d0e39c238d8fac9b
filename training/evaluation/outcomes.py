"""Labelled cells and what a model file made of them, as one table to score from any side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.evaluation.pairs import Pair, what_ought
from weedset.labelling import targets
from weedset.modelcard import ModelCard
from weedset.records import Action, LabelledTile, Policy

Flags = NDArray[np.bool_]
Names = NDArray[np.str_]

#: Stands where nobody stated a growth stage; BBCH principal stages are 0 to 9.
NO_STAGE = -1


@dataclass(frozen=True, eq=False, slots=True)
class Outcomes:
    """n cells against k classes, `codes`.

    `truth` (n, k) is 1 present, 0 absent, -1 not known; `found` (n, k) the probabilities, 0
    where the model was not asked; `called` and `surely` (n, k) say whether they reached
    `present_at` and `treat_at`; `stage` (n, k) is the stated BBCH principal stage, or NO_STAGE.
    `ought` and `action` (n,) are words of `Ought` ("" where the label does not tell) and of
    `Action`. Flags (n,): `weed`, a plant to remove is here; `crop`, one that the policy names
    to protect; `strange`, a plant that the model cannot name, and none that it can. `site`,
    `photo` and `camera` (n,) are names; a camera may be "". `treats` (k,) says which classes
    the model would treat at all, if a policy asked for it.
    """

    codes: tuple[str, ...]
    treats: tuple[bool, ...]
    truth: NDArray[np.int8]
    found: NDArray[np.float32]
    called: Flags
    surely: Flags
    stage: NDArray[np.int8]
    ought: Names
    action: Names
    weed: Flags
    crop: Flags
    strange: Flags
    site: Names
    photo: Names
    camera: Names

    def __len__(self) -> int:
        return len(self.site)

    def where(self, chosen: Flags) -> Outcomes:
        """Return the table of some of the cells."""
        return Outcomes(self.codes, self.treats, *(column[chosen] for column in _columns(self)))

    @property
    def treated(self) -> Flags:
        """Whether a machine would act on each cell."""
        return np.asarray(self.action == Action.TREAT)


def tabulate(
    pairs: Sequence[Pair],
    card: ModelCard,
    policy: Policy,
    cameras: Mapping[str, str] | None = None,
    codes: Sequence[str] | None = None,
) -> Outcomes:
    """Put pairs into a table; `cameras` names the camera of each photo, by digest.

    `codes` are the classes to score, those of the card where not given; one that the model
    lacks it has neither found nor called.
    """
    codes = tuple(card.codes if codes is None else codes)
    known = {code: place for place, code in enumerate(card.codes)}
    places = [known.get(code) for code in codes]
    nothing = (0.0,) * len(card.codes)
    answers = [cell.probabilities or nothing for _, cell in pairs]
    tiles = [labelled for labelled, _ in pairs]
    shape = len(pairs), len(codes)

    def table(rows: Iterable[Sequence[float]], kind: Any) -> Any:
        return np.array(list(rows), kind).reshape(shape)

    found = table(([0.0 if at is None else row[at] for at in places] for row in answers), float)
    asked = np.array([[bool(cell.probabilities)] for _, cell in pairs], bool).reshape(-1, 1)
    asked = asked & np.array([at is not None for at in places], bool)
    classes = [None if at is None else card.classes[at] for at in places]
    # A threshold that is absent lies above all probabilities.
    present_at = np.array([np.inf if item is None else item.present_at for item in classes])
    treat_at = np.array(
        [np.inf if item is None or item.treat_at is None else item.treat_at for item in classes]
    )
    weeds = policy.remove - policy.protect
    return Outcomes(
        codes=codes,
        treats=tuple(bool(np.isfinite(threshold)) for threshold in treat_at),
        truth=table((targets(tile, codes) for tile in tiles), np.int8),
        found=found.astype(np.float32),
        called=asked & (found >= present_at),
        surely=asked & (found >= treat_at),
        stage=table((_stages(tile, codes) for tile in tiles), np.int8),
        ought=np.array([what_ought(tile, policy) or "" for tile in tiles], np.str_),
        action=np.array([str(cell.decision.action) for _, cell in pairs], np.str_),
        weed=np.array([bool(tile.statement.present & weeds) for tile in tiles], bool),
        crop=np.array([bool(tile.statement.present & policy.protect) for tile in tiles], bool),
        strange=np.array([_strange(tile, codes) for tile in tiles], bool),
        site=np.array([tile.site for tile in tiles], np.str_),
        photo=np.array([tile.tile.photo_digest for tile in tiles], np.str_),
        camera=np.array([(cameras or {}).get(t.tile.photo_digest, "") for t in tiles], np.str_),
    )


def pooled(tables: Sequence[Outcomes]) -> Outcomes:
    """Return the cells of several tables, over the same classes, as one."""
    columns = zip(*(_columns(table) for table in tables), strict=True)
    treats = tuple(any(some) for some in zip(*(table.treats for table in tables), strict=True))
    return Outcomes(tables[0].codes, treats, *(np.concatenate(parts) for parts in columns))


def _columns(table: Outcomes) -> list[Any]:
    return [getattr(table, field.name) for field in fields(Outcomes)[2:]]


def _stages(labelled: LabelledTile, codes: Sequence[str]) -> tuple[int, ...]:
    stated = dict(labelled.statement.stages)
    return tuple(stated.get(code, NO_STAGE) for code in codes)


def _strange(labelled: LabelledTile, codes: Sequence[str]) -> bool:
    said = labelled.statement
    named = said.present & set(codes)
    return not named and (said.unknown_plant or bool(said.present))
