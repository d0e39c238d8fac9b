"""Statements as the page writes and reads them: JSON, checked field by field."""

from __future__ import annotations

from typing import Any

from weedset.errors import LabelError
from weedset.fields import Fields
from weedset.labelling import contradiction
from weedset.records import Opinion, Origin, Statement, Verdict
from weedset.taxonomy import SpeciesList, require_codes

#: A request names at most this many tiles.
MOST_TILES = 400

_MOST_PLANTS = 40
_MOST_NAME = 40


def read_annotator(fields: Fields) -> str:
    """Read who is labelling. Raises LabelError for what cannot be a name."""
    name = fields.text("who").strip()
    if len(name) > _MOST_NAME or not name.isprintable():
        raise fields.complaint("who", f"should be at most {_MOST_NAME} printable characters")
    return name


def read_statement(
    fields: Fields, annotator: str, origin: Origin, species: SpeciesList
) -> Statement:
    """Read a statement. Raises LabelError, or UnknownSpeciesError for a code in no list."""
    present, doubtful = (
        require_codes(fields.texts(name), name, species) for name in ("present", "doubtful")
    )
    if len(present) + len(doubtful) > _MOST_PLANTS:
        raise fields.complaint("present", f"names more than {_MOST_PLANTS} plants in one cell")
    stages = fields.table("stages")
    statement = Statement(
        annotator=annotator,
        origin=origin,
        verdict=Verdict(fields.choice("verdict", list(Verdict))),
        present=frozenset(present),
        doubtful=frozenset(doubtful),
        unknown_plant=fields.truth("unknown_plant"),
        stages=tuple(
            sorted((code, stages.whole(code, least=0, most=9)) for code in stages.names())
        ),
    )
    fields.done()
    if odd := {code for code, _ in statement.stages} - statement.present - statement.doubtful:
        raise fields.complaint("stages", f"gives a stage for {min(odd)}, which is not named")
    if clash := contradiction(statement):
        raise LabelError(clash)
    return statement


def statement_record(statement: Statement) -> dict[str, Any]:
    """Return a statement as JSON; the inverse of `read_statement`."""
    return {
        "verdict": statement.verdict,
        "present": sorted(statement.present),
        "doubtful": sorted(statement.doubtful),
        "unknown_plant": statement.unknown_plant,
        "stages": dict(statement.stages),
    }


def opinion_record(opinion: Opinion) -> dict[str, Any]:
    """Return an opinion as JSON: who said what, when and how."""
    return {
        "number": opinion.id,
        "who": opinion.annotator,
        "origin": opinion.origin,
        "made_at": opinion.made_at,
        "statement": statement_record(opinion.statement) if opinion.statement else None,
    }
