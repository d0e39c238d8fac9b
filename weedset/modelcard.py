"""The card inside a model file: all that a board must know to use the model rightly."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

from weedset.errors import ModelError
from weedset.fields import Fields, parse_json
from weedset.preprocess import Normalisation

#: The key in the ONNX file's `metadata_props` under which the card lies, as JSON.
CARD_KEY = "weedset.card"

#: Raised when a reader of an older version would misread a newer card. 2: `bound`, which an
#: older reader would not heed.
CARD_VERSION = 2

CAUTION = (
    "A wrong decision can burn or cut a crop plant, start a fire or hurt a person or an animal. "
    "This model is no safety system. Keep people, children and animals away from a working "
    "machine, keep fire-fighting means at hand where heat is used, try the model on your own "
    "ground with the tool switched off first, and follow local rules and licensed practice."
)

#: What a command says in place of CAUTION, which stands whole in card, release and report.
REMINDER = (
    "CAUTION: no safety system. A wrong decision can burn, cut, start a fire or hurt: people and "
    "animals away, the tool off at first. In full in the model's card."
)


@dataclass(frozen=True, slots=True)
class ClassCard:
    """One output of the model: a species, or ANY_PLANT.

    Probabilities from validation photos: at `treat_at` and above a machine may act on the
    species (None: never, the data did not support it); at `present_at` it counts as seen;
    at `doubt_at` and above it may be there, which is enough to protect it.
    """

    code: str
    treat_at: float | None
    present_at: float
    doubt_at: float


@dataclass(frozen=True, slots=True)
class HarmBound:
    """What is known of the harm that the card's `treat_at` allow; docs/evaluation.md explains.

    In the mean over gardens of which `sites` are independent draws, at most the share
    `at_most` of a garden's protected cells is treated under a policy that removes `remove`,
    those and no others: with `confidence`, by `method`. `cells` protected cells were seen.
    """

    at_most: float
    confidence: float
    remove: tuple[str, ...]
    sites: tuple[str, ...]
    cells: int
    method: str


@dataclass(frozen=True, slots=True)
class ModelCard:
    """What a model is, what it takes, where it comes from, and how far to trust it.

    The model takes tiles of `input_px` x `input_px` pixels that span `cell_mm` of ground,
    normalised by `normalisation`, and gives one probability per class, in order.
    `gsd_*` is the range of ground sample distances of the photos it learned from.
    `split` is "site" or "photo", and `held_out` the sites, or the digests of the photos,
    that it neither learned from nor was tuned on: the only ones to judge it by.
    `temperature` is what its scores were divided by, before they became probabilities, so
    that these are right on the validation photos; the net has it inside.
    `mmac` are million multiply-adds for one tile, by which a board's speed is foretold.
    """

    name: str
    made_with: str
    made_on: str
    classes: tuple[ClassCard, ...]
    input_px: int
    normalisation: Normalisation
    cell_mm: float
    gsd_min_mm_per_px: float
    gsd_max_mm_per_px: float
    edition: str
    edition_digest: str
    split: str
    held_out: tuple[str, ...]
    licence: str
    givers: tuple[str, ...]
    caution: str = CAUTION
    temperature: float = 1.0
    bound: HarmBound | None = None
    mmac: float | None = None

    @property
    def codes(self) -> tuple[str, ...]:
        """The species codes of the outputs, in order."""
        return tuple(item.code for item in self.classes)


def reminder(card: ModelCard) -> str:
    """Return what a command says of a card's caution: one in other words is never shortened."""
    return REMINDER if card.caution == CAUTION else card.caution


def card_to_json(card: ModelCard) -> str:
    """Return the card as JSON, the same text for the same card."""
    return json.dumps({"card_version": CARD_VERSION, **asdict(card)}, sort_keys=True, indent=1)


def card_from_json(text: str, where: str) -> ModelCard:
    """Read a card; `where` names the model file.

    Raises ModelError naming the field for what is missing, absurd or of a newer version.
    """
    fields = parse_json(text, f"{where}: card", ModelError)
    version = fields.whole("card_version", least=1, most=1_000_000)
    if version > CARD_VERSION:
        fix = "install a newer weedset"
        raise fields.complaint("card_version", f"is {version}, newer than this weedset knows", fix)
    normalisation = fields.table("normalisation")
    card = ModelCard(
        name=fields.text("name"),
        made_with=fields.text("made_with"),
        made_on=fields.text("made_on"),
        classes=tuple(_read_class(item) for item in fields.tables("classes")),
        input_px=fields.whole("input_px", least=8, most=1024),
        normalisation=Normalisation(
            mean=normalisation.number("mean", least=-1e6, most=1e6),
            std=normalisation.number("std", above=0, most=1e6),
        ),
        cell_mm=fields.number("cell_mm", above=0, most=10_000),
        gsd_min_mm_per_px=fields.number("gsd_min_mm_per_px", above=0, most=100),
        gsd_max_mm_per_px=fields.number("gsd_max_mm_per_px", above=0, most=100),
        edition=fields.text("edition"),
        edition_digest=fields.text("edition_digest"),
        split=fields.choice("split", ("site", "photo")),
        held_out=fields.texts("held_out"),
        licence=fields.text("licence"),
        givers=fields.texts("givers"),
        caution=fields.text("caution"),
        temperature=fields.number("temperature", above=0, most=1000)
        if "temperature" in fields
        else 1.0,
        bound=_read_bound(fields.table("bound")) if "bound" in fields else None,
        mmac=fields.number("mmac", above=0, most=1e6) if "mmac" in fields else None,
    )
    if not card.classes:
        raise fields.complaint("classes", "is empty: the model can say nothing")
    if len(set(card.codes)) < len(card.codes):
        raise fields.complaint("classes", "names a species twice")
    if card.bound and (others := sorted(set(card.bound.remove) - set(card.codes))):
        what = f"speaks of {', '.join(others)}, which the model does not know"
        raise fields.complaint("bound", what)
    return card


def _read_class(fields: Fields) -> ClassCard:
    return ClassCard(
        code=fields.text("code"),
        treat_at=fields.number("treat_at", least=0, most=1) if "treat_at" in fields else None,
        present_at=fields.number("present_at", least=0, most=1),
        doubt_at=fields.number("doubt_at", least=0, most=1),
    )


def _read_bound(fields: Fields) -> HarmBound:
    return HarmBound(
        at_most=fields.number("at_most", above=0, below=1),
        confidence=fields.number("confidence", above=0, below=1),
        remove=fields.texts("remove"),
        sites=fields.texts("sites"),
        cells=fields.whole("cells", least=0, most=1_000_000_000),
        method=fields.text("method"),
    )
