"""A pool of many made-up tiles, made quickly: archives written straight into it.

Nothing of it is checked on its way in; the archives hold what a packed contribution holds.
Every tile is another picture: soft blotches under grain, so that decoding costs what a tile
of soil costs. Each hundredth tile is its neighbour encoded again, a twin to be found.
"""

from __future__ import annotations

import io
import json
import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from PIL import Image

from tests.packing.forge import SITE, make_workspace, pack, read_bag
from weedset.digests import file_digest
from weedset.pool.journal import Entry, Event, append, locked
from weedset.pool.layout import Pool, create_pool
from weedset.pool.sites import SHARES
from weedset.storedzip import StoredZipWriter

TILE_PX = 128
#: One tile in so many is a twin of the one before it.
TWIN_EVERY = 100
_COLS, _STEP_PX = 100, 42
_AT = "2024-07-01T00:00:00Z"


def made_up_pool(folder: Path, tiles: int, per_giver: int = 10_000, workers: int = 2) -> Pool:
    """Make a pool of accepted contributions of `per_giver` tiles each, `tiles` in all."""
    pool = create_pool(folder / "pool")
    pool.archives.mkdir()
    files = read_bag(pack(make_workspace(folder, photos=1), folder / "one.zip")).files
    jobs = [(pool, files, n, min(per_giver, tiles)) for n in range(-(-tiles // per_giver))]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context) as processes, locked(pool):
        for number, digest in enumerate(processes.map(_give, jobs)):
            split = tuple(SHARES)[number % 5 % 3]  # of five contributions 2, 2 and 1
            facts = {
                "batch": _batch(number),
                "site": _site(number),
                "giver": f"giver{number}",
                "rights_holder": "Anna B.",
                "licence": "CC-BY-4.0",
                "tiles": jobs[number][3],
                "counts": {"CHEAL": 1},
            }
            append(pool, Entry(Event.ADDED, digest, "bench", _AT, facts=facts))
            append(pool, Entry(Event.ACCEPTED, digest, "bench", _AT, facts={"split": split}))
    return pool


def tile_pictures(seed: int, count: int) -> list[bytes]:
    """Return JPEGs of made-up ground, cut from one picture at steps of a third of a tile."""
    rng = np.random.default_rng(seed)
    rows = -(-count // _COLS)
    size = (_COLS * _STEP_PX + TILE_PX, rows * _STEP_PX + TILE_PX)
    coarse = rng.normal(110, 30, (size[1] // 11, size[0] // 11, 3)).clip(20, 235)
    ground = np.asarray(Image.fromarray(coarse.astype(np.uint8)).resize(size)).copy()
    ground += rng.integers(0, 20, (size[1], size[0], 1), np.uint8)
    pictures: list[bytes] = []
    for number in range(count):
        twin = number % TWIN_EVERY == TWIN_EVERY - 1
        y, x = ((number - twin) // _COLS * _STEP_PX, (number - twin) % _COLS * _STEP_PX)
        buffer = io.BytesIO()
        tile = Image.fromarray(ground[y : y + TILE_PX, x : x + TILE_PX])
        tile.save(buffer, "JPEG", quality=60 if twin else 85)
        pictures.append(buffer.getvalue())
    return pictures


def _site(number: int) -> str:
    return f"s-{number:016x}"


def _batch(number: int) -> str:
    return f"{_site(number)}-2024-05-04"


def _give(job: tuple[Pool, dict[str, bytes], int, int]) -> str:
    pool, files, number, tiles = job
    batch = json.loads(files["data/batch.json"])
    batch = json.loads(json.dumps(batch).replace(SITE, _site(number)))
    batch["tiles"] = tiles
    photo = json.loads(files["data/photos.jsonl"])
    photo |= {"rows": -(-tiles // _COLS), "cols": _COLS}
    label = json.loads(files["data/labels.jsonl"].splitlines()[1])
    places = [f"p00001/r{i // _COLS:05d}c{i % _COLS:05d}" for i in range(tiles)]
    labels = "".join(json.dumps({**label, "picture": place}) + "\n" for place in places)
    aside = pool.archives / f".{number}.part"
    with aside.open("w+b") as file, StoredZipWriter(file) as archive:
        for name, text in (
            ("batch.json", json.dumps(batch)),
            ("labels.jsonl", labels),
            ("photos.jsonl", json.dumps(photo) + "\n"),
        ):
            archive.add_bytes(f"{_batch(number)}/data/{name}", text.encode())
        for place, picture in zip(places, tile_pictures(number, tiles), strict=True):
            archive.add_bytes(f"{_batch(number)}/data/tiles/{place}.jpg", picture)
        archive.finish()
    digest = file_digest(aside)
    aside.rename(pool.archive(digest))
    return digest
