"""The markers' colours stay apart for people who see no red or no green; shapes tell as well."""

from __future__ import annotations

import re
from importlib import resources
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

#: Linear RGB as people without red, or without green, receptors see it: Machado, Oliveira and
#: Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15:1291-1298, severity 1; from memory.
SIGHT = {
    "all colours": np.eye(3),
    "no red": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
         [-0.003882, -0.048116, 1.051998]]
    ),
    "no green": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
         [-0.011820, 0.042940, 0.968881]]
    ),
}  # fmt: skip

#: IEC 61966-2-1 (sRGB to XYZ, D65).
TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)  # fmt: skip


def colours() -> list[str]:
    script = (resources.files("weedset.server") / "static" / "markers.js").read_text()
    line = re.search(r"const COLOURS = \[(.*)\]", script)
    assert line is not None
    return re.findall(r"#[0-9a-f]{6}", line[1])


def linear(colour: str) -> NDArray[np.float64]:
    c = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b*."""
    xyz = TO_XYZ @ np.clip(rgb, 0, 1) / np.array([0.9505, 1, 1.089])
    x, y, z = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("sight", SIGHT)
def test_any_two_markers_differ_plainly(sight: str) -> None:
    """A difference of about 2.3 is just noticeable (from memory); ten times that is plain."""
    seen = [lab(SIGHT[sight] @ linear(colour)) for colour in colours()]
    assert len(seen) == 9
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) > 23


def test_every_marker_shows_on_its_white_plate() -> None:
    """WCAG 2.2, success criterion 1.4.11: graphics have a contrast of at least 3 to 1."""
    for colour in colours():
        luminance = float((TO_XYZ @ linear(colour))[1])
        assert 1.05 / (luminance + 0.05) >= 3
