from concurrent.futures import ThreadPoolExecutor
from io import BytesIO

import numpy as np
import pytest
from PIL import Image

from training.doubting.embeddings import embed_tiles
from weedset.errors import PhotoError


def pictures(count: int) -> list[bytes]:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(count):
        coarse = Image.fromarray(rng.integers(0, 256, (8, 8, 3), np.uint8)).resize((64, 64))
        out = BytesIO()
        coarse.save(out, "JPEG")
        found.append(out.getvalue())
    return found


def test_any_executor_sees_in_tiles_what_this_process_sees() -> None:
    here = embed_tiles(pictures(40))
    assert here.shape == (40, 1280)
    with ThreadPoolExecutor(2) as executor:
        assert np.array_equal(embed_tiles(pictures(40), executor), here)
    assert embed_tiles([]).shape == (0, 1280)


def test_a_damaged_tile_is_told() -> None:
    with pytest.raises(PhotoError):
        embed_tiles([b"no picture"])
