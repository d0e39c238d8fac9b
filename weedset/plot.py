"""Plots that become files: the look that they share, and how they are written."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from weedset.drawn import drawn_exif
from weedset.errors import WeedsetError

#: The endings of pictures made of pixels, which could be taken for photos.
_PIXELS = (".png", ".jpg", ".jpeg")

INK, SOFT = "#1f2a30", "#8fb0b8"


@contextmanager
def panels_into(
    path: Path,
    error: type[WeedsetError],
    size_in: tuple[float, float],
    rows: int = 1,
    cols: int = 1,
) -> Iterator[Any]:
    """Yield matplotlib's panel, or array of panels, and write the figure once they are drawn.

    The ending of `path` says how; `size_in` is width and height in inches. Raises `error`
    where the file cannot be written.
    """
    import matplotlib  # slow to load, and few verbs draw

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, panels = pyplot.subplots(rows, cols, figsize=size_in, constrained_layout=True)
    try:
        yield panels
        try:
            marked: dict[str, Any] = {}
            if path.suffix.lower() in _PIXELS:
                marked = {"pil_kwargs": {"exif": drawn_exif()}}
            figure.savefig(path, dpi=130, **marked)
        except (OSError, ValueError) as exc:
            # Of an ending that it does not know matplotlib says so in a ValueError.
            why = (
                exc.strerror if isinstance(exc, OSError) else f"no picture ends in {path.suffix!r}"
            )
            fix = "name a file that ends in .png, .svg or .pdf, in a folder that is there"
            raise error(f"cannot be written ({why})", where=str(path), fix=fix) from exc
    finally:
        pyplot.close(figure)
