"""What a report is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from training.evaluation.judging import Evaluation
from training.evaluation.pairs import Pair
from training.releasing.report_words import Name
from training.sources import Source
from weedset.modelcard import ModelCard
from weedset.records import Opinion, Photo, Policy


@dataclass(frozen=True, slots=True)
class Reported:
    """All that a report tells of: a model, and what it made of cells that it had not seen.

    `source` is all that is labelled; `photos` by digest and `histories`, all opinions of each
    tile, are empty of an edition.
    """

    card: ModelCard
    policy: Policy
    pairs: Sequence[Pair]
    evaluation: Evaluation
    source: Source
    photos: Mapping[str, Photo]
    histories: Sequence[Sequence[Opinion]]
    name: Name
