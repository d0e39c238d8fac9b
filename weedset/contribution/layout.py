"""Which files lie in a contribution, under which names and in which order."""

from __future__ import annotations

import re

SCHEMA = "weedset contribution"
VERSION = 1

LABELS = "data/labels.jsonl"
LOOSE = "data/loose.jsonl"
PHOTOS = "data/photos.jsonl"
BATCH = "data/batch.json"
CARD = "data/README.md"
#: RFC 8493 asks for at least one manifest. A second one with SHA-512 would cost more than
#: a tenth of the time of checking and make nothing safer.
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
BAGIT, BAG_INFO = "bagit.txt", "bag-info.txt"
BAGIT_TEXT = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

TILE_NAME = re.compile(r"data/tiles/(p[0-9]{5})/r([0-9]{5})c([0-9]{5})\.jpg")
PHOTO_NAME = re.compile(r"data/photos/(p[0-9]{5})\.jpg")
LOOSE_NAME = re.compile(r"data/loose/(n[0-9]{6})\.jpg")

#: What may lie in a bag, in the order in which it lies there: what can only be known once
#: all else is written comes last. The tag files follow the payload.
#: Pictures come first; they are told apart by the first twelve letters.
_PICTURES = {
    "data/tiles/p": (0, TILE_NAME),
    "data/photos/": (1, PHOTO_NAME),
    "data/loose/n": (2, LOOSE_NAME),
}
PAYLOAD_FILES = (LABELS, LOOSE, PHOTOS, BATCH, CARD)
TAG_FILES = (MANIFEST, BAGIT, BAG_INFO, TAG_MANIFEST)
_RANKS = {name: len(_PICTURES) + i for i, name in enumerate((*PAYLOAD_FILES, *TAG_FILES))}

MOST_PHOTOS = 99_999
MOST_LOOSE_PX = 1024
MOST_PHOTO_PIXELS = 80_000_000


def name_order(name: str) -> tuple[int, str] | None:
    """Return where a file of a bag (its name within) belongs, or None where it may not be."""
    rank, shape = _PICTURES.get(name[:12], (0, None))
    if shape is not None:
        return (rank, name) if shape.fullmatch(name) else None
    return (_RANKS[name], name) if name in _RANKS else None


def photo_key(number: int) -> str:
    """Return the name of the photo that is `number` in the order of time."""
    return f"p{number:05d}"


def loose_key(number: int) -> str:
    """Return the name of a picture of unknown scale."""
    return f"n{number:06d}"


def tile_key(photo: str, row: int, col: int) -> str:
    """Return the name of a tile."""
    return f"{photo}/r{row:05d}c{col:05d}"


def tile_place(key: str) -> tuple[str, int, int]:
    """Return the photo, the row and the column of which `tile_key` made the name of a tile."""
    photo, _, cell = key.partition("/")
    return photo, int(cell[1:6]), int(cell[7:12])


def tile_name(key: str) -> str:
    """Return where a tile lies in the bag."""
    return f"data/tiles/{key}.jpg"


def photo_name(key: str) -> str:
    """Return where a whole photo lies in the bag."""
    return f"data/photos/{key}.jpg"


def bag_info(bag: str, octets: int, streams: int) -> str:
    """Return the text of bag-info.txt (RFC 8493, 2.2.2)."""
    return f"External-Identifier: {bag}\nPayload-Oxum: {octets}.{streams}\n"


def loose_name(key: str) -> str:
    """Return where a picture of unknown scale lies in the bag."""
    return f"data/loose/{key}.jpg"
