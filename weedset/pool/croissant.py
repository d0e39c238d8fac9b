"""The description of an edition for machines: Croissant 1.1, a vocabulary over schema.org.

Readers of Croissant accept files that lack what the format requires, so that is checked here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from weedset.errors import PoolError
from weedset.pool.index import INDEX
from weedset.pool.tilerows import COLUMNS

CROISSANT = "croissant.json"

#: MUST-have properties of a dataset (Croissant Format Specification, "Dataset-level
#: information", from memory).
REQUIRED = (
    "@context", "@type", "conformsTo", "description", "license", "name", "url", "creator",
    "datePublished",
)  # fmt: skip

#: The context that the specification gives (its appendix), as mlcroissant writes it.
_CONTEXT: dict[str, object] = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "arrayShape": "cr:arrayShape",
    "citeAs": "cr:citeAs",
    "column": "cr:column",
    "conformsTo": "dct:conformsTo",
    "containedIn": "cr:containedIn",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "dct": "http://purl.org/dc/terms/",
    "description": {"@container": "@language"},
    "equivalentProperty": "cr:equivalentProperty",
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract",
    "field": "cr:field",
    "fileProperty": "cr:fileProperty",
    "fileObject": "cr:fileObject",
    "fileSet": "cr:fileSet",
    "format": "cr:format",
    "includes": "cr:includes",
    "isArray": "cr:isArray",
    "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath",
    "key": "cr:key",
    "md5": "cr:md5",
    "name": {"@container": "@language"},
    "parentField": "cr:parentField",
    "path": "cr:path",
    "recordSet": "cr:recordSet",
    "references": "cr:references",
    "regex": "cr:regex",
    "repeated": "cr:repeated",
    "replace": "cr:replace",
    "samplingRate": "cr:samplingRate",
    "sc": "https://schema.org/",
    "separator": "cr:separator",
    "source": "cr:source",
    "subField": "cr:subField",
    "transform": "cr:transform",
}

_TYPES = {str: "sc:Text", int: "sc:Integer", float: "sc:Float", bool: "sc:Boolean"}


@dataclass(frozen=True, slots=True)
class Described:
    """What a description says; `digests` gives the SHA-256 of the index and of each shard."""

    number: int
    description: str
    licence: str
    creators: tuple[str, ...]
    published_on: str
    digests: Mapping[str, str]


def croissant(what: Described) -> dict[str, object]:
    """Return the description of an edition. Raises PoolError where something is missing."""
    shards = [name for name in what.digests if name != INDEX]
    table: dict[str, object] = {
        "@context": _CONTEXT,
        "@type": "sc:Dataset",
        "conformsTo": "http://mlcommons.org/croissant/1.1",
        "name": f"ground-cells-{what.number}",
        "description": what.description,
        "license": what.licence,
        # An edition has no place of its own: it is the same wherever it lies.
        "url": f"urn:sha256:{what.digests[INDEX]}",
        "creator": [{"@type": "sc:Person", "name": name} for name in what.creators],
        "datePublished": what.published_on,
        "version": f"{what.number}.0.0",
        "distribution": [
            _file(INDEX, "application/x-parquet", what.digests[INDEX]),
            *(_file(name, "application/x-tar", what.digests[name]) for name in shards),
            _pictures(shards),
        ],
        "recordSet": [
            {
                "@type": "cr:RecordSet",
                "@id": "tiles",
                "name": "tiles",
                "key": {"@id": "tiles/key"},
                "field": [_field(name, kind) for name, kind in COLUMNS.items() if kind is not dict],
            }
        ],
    }
    missing = missing_fields(table)
    if missing:
        raise PoolError(f"lacks {', '.join(missing)}", where=CROISSANT)
    return table


def missing_fields(table: Mapping[str, object]) -> list[str]:
    """Return which of the required properties a description lacks, or has empty."""
    return [name for name in REQUIRED if not table.get(name)]


def _file(name: str, kind: str, digest: str) -> dict[str, object]:
    return {
        "@type": "cr:FileObject",
        "@id": name,
        "name": name,
        "contentUrl": name,
        "encodingFormat": kind,
        "sha256": digest,
    }


def _pictures(shards: Sequence[str]) -> dict[str, object]:
    return {
        "@type": "cr:FileSet",
        "@id": "pictures",
        "name": "pictures",
        "containedIn": [{"@id": name} for name in shards],
        "encodingFormat": "image/jpeg",
        "includes": "*.jpg",
    }


def _field(name: str, kind: type) -> dict[str, object]:
    field: dict[str, object] = {
        "@type": "cr:Field",
        "@id": f"tiles/{name}",
        "name": name,
        "dataType": _TYPES.get(kind, "sc:Text"),
        "source": {"fileObject": {"@id": INDEX}, "extract": {"column": name}},
    }
    return field | ({"isArray": True, "arrayShape": "-1"} if kind is list else {})
