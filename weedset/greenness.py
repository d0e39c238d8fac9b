"""Which pixels are green plants, in whole numbers, so that a board can afford to ask."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def vegetation(pixels: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return which pixels (..., 3) are green plants: excess green above excess red.

    Excess green is 2 g - r - b with r + g + b = 1 (Woebbecke et al. 1995, Trans. ASAE 38(1):
    259-269), excess red 1.4 r - g, and plants are where the first is larger (Meyer & Camargo
    Neto 2008, Comput. Electron. Agric. 63: 282-293). The difference, 3 g - 2.4 r - b, has the
    sign of 15 G - 12 R - 5 B, whatever the brightness. Black is no plant.
    """
    red, green, blue = (pixels[..., i].astype(np.int16) for i in range(3))
    return np.asarray(15 * green - 12 * red - 5 * blue > 0)
