"""Count the instructions of deciding on a photo; to be run by qemu with the plugin instructions.c.

    python instructions.py COUNT_FILE MODEL_FILE CAMERA PHOTO

The board takes its times between parts of the work from a clock; here the clock is the count.
Prints JSON: for each part, and in all (whole), million instructions per photo, once per photo; and
beside them what nobody can do without: the bare decoding at half size,
and the bare runtime on tiles that are ready.
"""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path

from PIL import Image

from weedset.board import classify, eye, model

PHOTOS = 3


def main(count_file: str, model_file: str, camera: str, photo: str) -> None:
    """Decide on the photo once, which pays for what comes once, then PHOTOS times."""
    with Path(count_file).open("rb", buffering=0) as file:

        def million() -> float:
            os.getpriority(os.PRIO_PROCESS, 0)  # the plugin writes the count
            file.seek(0)
            return int.from_bytes(file.read(8), sys.byteorder) / 1e6

        looking = eye.open_eye(Path(model_file), Path(camera))
        batches = _batches(looking, Path(photo))
        classify.perf_counter = eye.perf_counter = million  # type: ignore[assignment]
        found: dict[str, list[float]] = {}
        for _ in range(PHOTOS):
            start = million()
            parts = looking.photo(Path(photo)).timings_ms
            # A part is told in thousandths of the clock's unit, as ms are of seconds.
            counts = {name: count / 1000 for name, count in parts.items()}
            counts["whole"] = million() - start
            bare = {"bare decode": _decode(Path(photo)), "bare model": _ask(looking, batches)}
            for name, job in bare.items():
                start = million()
                job()
                counts[name] = million() - start
            for name, count in counts.items():
                found.setdefault(name, []).append(round(count, 2))
    sys.stdout.write(json.dumps(found) + "\n")


def _batches(looking: eye.Eye, photo: Path) -> list[object]:
    """Decide on a photo; return what the runtime was asked on the way."""
    batches: list[object] = []
    ready = model.model_input

    def kept(*asked: object) -> object:
        batches.append(ready(*asked))  # type: ignore[arg-type]
        return batches[-1]

    model.model_input = kept  # type: ignore[assignment]
    looking.photo(photo)
    model.model_input = ready
    return batches


def _decode(photo: Path) -> Callable[[], object]:
    data = photo.read_bytes()

    def job() -> object:
        image = Image.open(io.BytesIO(data))
        image.draft("RGB", (image.width // 2, image.height // 2))
        return image.load()

    return job


def _ask(looking: eye.Eye, batches: list[object]) -> Callable[[], object]:
    session, name = looking.model._session, looking.model._input_name
    return lambda: [session.run(None, {name: batch}) for batch in batches]


if __name__ == "__main__":
    main(*sys.argv[1:])
