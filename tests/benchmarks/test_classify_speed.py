"""From a JPEG on disk to decisions: the board's way against the plain way, one core each.

The plain way is what one would write first: decode the whole photo, then crop, resize and ask
a float MobileNetV3-small (torchvision, eager torch) for one tile after the other. Untrained
nets take the time that trained ones take; plain_way.py compares what they find. The least is
what no way round can save: decoding at half size and the runtime alone, on tiles that are
ready. Prints times and ratios; asserts only that all looked at the same cells.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable
from pathlib import Path
from time import process_time

import numpy as np
import pytest
import torch
from PIL import Image
from torchvision.models import mobilenet_v3_small

from sample_data.write import Order, write
from tests.benchmarks.untrained_model import CARD, CODES, write_untrained
from training.backbones import NORMALISATION
from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.decide import Rule
from weedset.board.model import BoardModel, open_model
from weedset.geometry import cell_footprint, ground_box_px
from weedset.preprocess import model_input
from weedset.records import CameraProfile, Policy

pytestmark = pytest.mark.benchmark

WIDTH_PX, HEIGHT_PX = 2592, 1944
#: 670 x 502 mm of ground: 13 x 10 whole cells of about 193 px.
PROFILE = CameraProfile("drawn", None, None, None, 670 / WIDTH_PX, None, None, None)
POLICY = Policy("bed", frozenset({"CHEAL", "STEME", "POAAN", "TAROF"}), frozenset())


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("drawn") / "gardens"
    order = Order(sites=1, photos_per_site=1, width_px=WIDTH_PX, height_px=HEIGHT_PX)
    write(out, order, workers=1)
    return next(out.glob("*/*.jpg"))


@pytest.fixture(scope="module")
def model_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_untrained(tmp_path_factory.mktemp("model"))


def plain_way(path: Path, seen: ClassifiedPhoto, net: torch.nn.Module, side_px: int) -> int:
    """Classify the same cells; return how many. The geometry is given for nothing."""
    image = Image.open(path).convert("RGB")
    count = 0
    for cell in seen.cells:
        ground = cell_footprint(seen.grid, cell.row, cell.col)
        box = ground_box_px(ground, image.width, image.height, seen.scale.gsd_mm_per_px)
        tile = image.crop(tuple(round(edge) for edge in box)).resize((side_px, side_px))
        pixels = torch.from_numpy(np.asarray(tile).copy()).permute(2, 0, 1).float()
        with torch.inference_mode():
            probabilities = net(((pixels - 127) / 128)[None]).sigmoid()[0]
        Rule(CARD, POLICY).weigh(probabilities.tolist())
        count += 1
    return count


def bare_decode(path: Path) -> None:
    image = Image.open(path)
    image.draft("RGB", (image.width // 2, image.height // 2))
    image.load()


def bare_model(model: BoardModel, count: int) -> Callable[[], object]:
    """Ask the runtime alone, as the board does, in sixteens."""
    side = model.card.input_px
    tiles = np.random.default_rng(0).integers(0, 256, (count, side, side, 3), dtype=np.uint8)
    ready = [model_input(tiles[at : at + 16], NORMALISATION) for at in range(0, count, 16)]
    session, name = model._session, model._input_name
    return lambda: [session.run(None, {name: batch}) for batch in ready]


def median_ms(job: Callable[[], object], times: int) -> float:
    job()
    taken = []
    for _ in range(times):
        start = process_time()
        job()
        taken.append((process_time() - start) * 1000)
    return statistics.median(taken)


def test_photo_to_decisions(photo: Path, model_path: Path) -> None:
    torch.set_num_threads(1)
    model = open_model(model_path, threads=1)
    seen = classify_photo(model, photo, PROFILE, POLICY)
    net = mobilenet_v3_small(num_classes=len(CODES)).eval()
    assert plain_way(photo, seen, net, 96) == len(seen.cells) == 130

    asked = bare_model(model, len(seen.cells))
    # Round by round, and processor time: other programs then disturb little, and all alike.
    jobs = {
        "board": lambda: classify_photo(model, photo, PROFILE, POLICY),
        "decode": lambda: bare_decode(photo),
        "model": asked,
    }
    rounds = [{name: median_ms(job, 2) for name, job in jobs.items()} for _ in range(7)]
    ms = {name: statistics.median(found[name] for found in rounds) for name in jobs}
    least_ms = ms["decode"] + ms["model"]
    print(
        f"\n{WIDTH_PX} x {HEIGHT_PX} px JPEG, {len(seen.cells)} cells, processor time of one core"
    )
    print(f"  board, int8, 96 px tiles:   {ms['board']:8.1f} ms")
    parts = classify_photo(model, photo, PROFILE, POLICY).timings_ms
    print("    of which " + ", ".join(f"{name} {part:.1f}" for name, part in parts.items()))
    print(
        f"  half-size decode + model:   {least_ms:8.1f} ms ({ms['decode']:.1f} + "
        f"{ms['model']:.1f}), the board takes {ms['board'] / least_ms:.2f} times that"
    )
    for side_px in (96, 224):
        plain_ms = median_ms(lambda side=side_px: plain_way(photo, seen, net, side), 3)
        print(
            f"  plain, float, {side_px:3} px tiles: {plain_ms:8.1f} ms, "
            f"{plain_ms / ms['board']:.1f} times the board's"
        )
