"""Marks by which a tile is known again: its bytes, a difference hash, and a small picture.

The difference hash tells for each of 8 x 8 neighbouring pairs of a picture made 9 x 8 which
is lighter: it outlives encoding again, other sizes and other brightness (the method as in the
library imagehash, after N. Krawetz). Marks follow from the archive and are kept beside it.
"""

from __future__ import annotations

import hashlib
import io
import os
from concurrent.futures import Executor
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.digests import whole_file
from weedset.errors import PoolError
from weedset.hands import in_order
from weedset.images import decode_tile
from weedset.pool.contents import opened
from weedset.pool.layout import Pool, written_in_vain
from weedset.pool.standing import Standing
from weedset.storedzip import Member

SMALL_PX = 16

#: A row for each tile. `flat` tiles have no pattern to be known by: their hash says nothing.
MARK = np.dtype(
    [
        ("key", "S19"),
        ("digest", "V32"),
        ("hash", "<u8"),
        ("flat", "?"),
        ("small", "u1", (SMALL_PX, SMALL_PX)),
    ]
)

#: Standard deviation of the small picture in grey levels. Common practice, no source.
_FLAT = 2.0

_CHUNK = 256

Marks = NDArray[Any]


def difference_hash(image: Image.Image) -> int:
    """Return the 64-bit difference hash of a picture, first row and column highest."""
    grey = np.asarray(image.convert("L").resize((9, 8), Image.Resampling.LANCZOS))
    bits = grey[:, 1:] > grey[:, :-1]
    return int.from_bytes(np.packbits(bits).tobytes(), "big")


def small_picture(image: Image.Image) -> NDArray[np.uint8]:
    """Return a picture in grey, 16 x 16."""
    return np.asarray(image.convert("L").resize((SMALL_PX, SMALL_PX), Image.Resampling.BOX))


def marks_of(
    pool: Pool, item: Standing, workers: int | None = None, executor: Executor | None = None
) -> Marks:
    """Return the marks of a contribution, working them out where they are not kept yet.

    `workers` and `executor` are as for `weedset.hands.in_order`.
    Raises PoolError where its archive is gone or damaged.
    """
    path = pool.marks(item.digest)
    kept = _kept(path)
    if kept is not None:
        return kept
    made = _make(pool, item, workers, executor)
    buffer = io.BytesIO()
    np.save(buffer, made)
    try:
        with whole_file(path) as file:
            file.write(buffer.getbuffer())
    except OSError as exc:
        raise written_in_vain(path, exc) from exc
    return made


#: How files of one array begin (numpy.lib.format).
_ARRAY = b"\x93NUMPY"


def _kept(path: Path) -> Marks | None:
    try:
        with path.open("rb") as file:
            if file.read(len(_ARRAY)) != _ARRAY:  # numpy would try it as an archive
                raise ValueError("it holds no array")
        marks: Marks = np.load(path, mmap_mode="r", allow_pickle=False)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, EOFError) as exc:
        fix = "delete this file: it is worked out again"
        raise PoolError(f"is damaged ({exc})", where=str(path), fix=fix) from exc
    return marks if marks.dtype == MARK else None


def _make(pool: Pool, item: Standing, workers: int | None, executor: Executor | None) -> Marks:
    with opened(pool, item) as contents:
        tiles = contents.tiles()
        chunks = iter(lambda: list(islice(tiles, _CHUNK)), [])
        parts = list(in_order(_marks, pool.archive(item.digest), chunks, workers, executor))
    return np.concatenate([np.zeros(0, MARK), *parts])


def _marks(archive: Path, tiles: list[tuple[str, Member]]) -> Marks:
    marks = np.zeros(len(tiles), MARK)
    with archive.open("rb") as file:
        for mark, (key, member) in zip(marks, tiles, strict=True):
            data = os.pread(file.fileno(), member.size, member.offset)
            image = Image.fromarray(decode_tile(data)).convert("L")
            small = small_picture(image)
            mark["key"] = key.encode()
            mark["digest"] = np.void(_sha256(data))
            mark["hash"] = difference_hash(image)
            mark["flat"] = small.std() < _FLAT
            mark["small"] = small
    return marks


def _sha256(data: bytes) -> bytes:
    return hashlib.sha256(data).digest()
