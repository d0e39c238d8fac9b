"""The gate sees what is green, skips only what is bare, and says what it skipped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from skimage.transform import downscale_local_mean
from tiny_model import CARD, camera, write_model

from sample_data.write import Order, write
from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.eye import Eye
from weedset.board.gate import Gate, green_shares, skipped
from weedset.board.model import open_model
from weedset.board.report import cell_records, gate_tally, photo_record
from weedset.images import read_mask
from weedset.profile import read_camera_profile
from weedset.records import Action, Policy, Pose

CHEAL_BED = Policy("bed", frozenset({"CHEAL"}), frozenset())
SOIL, LEAF, RED = (120, 90, 60), (60, 130, 40), (250, 0, 0)


@pytest.mark.parametrize("tile_px", [32, 64, 96])
def test_shares_are_those_of_the_published_index_on_averaged_pixels(tile_px: int) -> None:
    """Reference: scikit-image's local mean; Woebbecke et al. 1995 less Meyer & Neto 2008."""
    rng = np.random.default_rng(tile_px)
    leaves = rng.random((2 * tile_px, 3 * tile_px, 1)) < 0.3
    picture = np.where(leaves, LEAF, SOIL) + rng.normal(0, 12, (*leaves.shape[:2], 3))
    picture = picture.clip(0, 255).astype(np.uint8)
    block = tile_px // 32
    mean = downscale_local_mean(picture.astype(float), (block, block, 1))
    total = mean.sum(axis=2)
    r, g, b = np.moveaxis(mean / total[..., None], 2, 0)
    excess = ((2 * g - r - b) - (1.4 * r - g)) * total
    # A mean rounded to whole numbers is off by half a level in each channel.
    off = 0.51 * (3 + 2.4 + 1) if block > 1 else 1e-9
    least, most = (
        (excess > limit).reshape(2, 32, 3, 32).mean(axis=(1, 3)) for limit in (off, -off)
    )
    shares = green_shares(picture, tile_px)
    assert (least <= shares).all()
    assert (shares <= most).all()
    assert (most - least).max() < 0.06


def test_every_nth_bare_cell_is_looked_at_and_no_green_one_skipped() -> None:
    shares = np.array([0.0, 0.5, 0.001] * 400)
    out = skipped(shares, Gate(0.01, audit_every=50), "0000000a" + "0" * 56)
    bare = np.flatnonzero(shares < 0.01)
    assert np.flatnonzero(~out & (shares < 0.01)).tolist() == bare[10::50].tolist()
    assert not out[shares >= 0.01].any()
    assert skipped(shares, Gate(0.01, audit_every=0), "0" * 64).sum() == len(bare)


def photo_of(folder: Path, gate: Gate | None) -> ClassifiedPhoto:
    """4 x 3 cells: a row that is green, one of soil, one that is red: CHEAL to the tiny model."""
    model = open_model(write_model(folder / "m.onnx"))
    image = Image.new("RGB", (400, 300), SOIL)
    image.paste(LEAF, (0, 0, 400, 100))
    image.paste(RED, (0, 200, 400, 300))
    image.save(folder / "bed.png")
    return classify_photo(model, folder / "bed.png", camera(), CHEAL_BED, gate=gate)


def test_skipped_cells_are_left_and_the_others_decided_as_without_a_gate(tmp_path: Path) -> None:
    plain = photo_of(tmp_path, None)
    gated = photo_of(tmp_path, Gate(0.01, audit_every=0))
    for before, after in zip(plain.cells, gated.cells, strict=True):
        assert after.skipped is (after.row > 0)
        if after.skipped:
            assert after.probabilities == ()
            assert after.decision.action is Action.LEAVE
            assert after.decision.reason == "no green to speak of"
        else:
            assert (after.probabilities, after.decision) == (before.probabilities, before.decision)
            assert (before.green, after.green) == (None, 1.0)
    assert [cell.decision.action for cell in plain.cells[8:]] == [Action.TREAT] * 4


@pytest.mark.parametrize("gate", [None, Gate(0.01, audit_every=0)])
def test_a_crop_without_green_is_kept_clear_of_as_without_a_gate(
    tmp_path: Path, gate: Gate | None
) -> None:
    """A row: a weed, a crop with leaves as purple as beet's, two bare cells, a weed."""
    red, green, blue = np.eye(3) / 255
    weights = np.vstack([green, 0 * red, blue, 0 * red])  # CHEAL is green, STEME blue
    model = open_model(write_model(tmp_path / "m.onnx", weights=weights))
    soil, crop, weed = (120, 30, 60), (60, 20, 160), (40, 240, 10)
    rng = np.random.default_rng(0)
    picture = Image.new("RGB", (600, 100))
    for col, colour in enumerate([weed, crop, soil, soil, weed, soil]):
        rough = np.array(colour) + rng.integers(-4, 5, (100, 100, 3))
        picture.paste(Image.fromarray(rough.astype(np.uint8)), (100 * col, 0))
    picture.save(tmp_path / "row.png")
    sure = replace(camera(), pose=Pose(uncertainty_deg=0.4))  # 10 + 2 * 10 mm to be kept
    seen = Eye(model, sure, CHEAL_BED, gate).photo(tmp_path / "row.png")
    assert [cell.species for cell in seen.cells] == ["CHEAL", "STEME", None, None, "CHEAL", None]
    assert "STEME may be 25 mm away" in seen.cells[0].decision.reason
    treated = [cell.col for cell in seen.cells if cell.decision.action is Action.TREAT]
    assert treated == [4]
    assert gate is None or gate_tally(seen, CARD).skipped == 4
    assert gate_tally(seen, CARD).audited == 0  # what was looked at for its place is no sample


def test_the_report_says_what_the_gate_skipped_and_what_its_audit_found(tmp_path: Path) -> None:
    """Audited, each of the 8 bare cells is asked; the 4 red ones hold a "plant"."""
    gated = photo_of(tmp_path, Gate(0.01, audit_every=1))
    tally = gate_tally(gated, CARD)
    assert (tally.skipped, tally.audited, tally.audited_with_plant) == (0, 8, 4)
    assert photo_record(gated, CARD)["gate"] == {
        "least_green": 0.01,
        "audit_every": 1,
        "skipped": 0,
        "audited": 8,
        "audited_with_plant": 4,
    }
    assert [record["green"] for record in cell_records(gated, CARD)] == [1.0] * 4 + [0.0] * 8
    assert photo_record(photo_of(tmp_path, None), CARD)["gate"] is None


def test_drawn_plants_pass_the_gate_as_their_masks_say(tmp_path: Path) -> None:
    """Truth: the masks that the drawings come with. Of cells with 1 % plant, 98 % must pass."""
    write(tmp_path / "g", Order(sites=2, photos_per_site=1), workers=1)
    model = open_model(write_model(tmp_path / "m.onnx"))
    passed = total = 0
    for path in sorted((tmp_path / "g").glob("*/*.jpg")):
        profile = read_camera_profile(path.with_name("camera.toml"))
        seen = classify_photo(model, path, profile, CHEAL_BED, gate=Gate(0.002, audit_every=0))
        mask = read_mask(path.parent / "masks" / f"{path.stem}_mask.png") > 0
        colours = np.where(mask[..., None], np.uint8(255), np.uint8(0)).repeat(3, axis=2)
        Image.fromarray(colours).save(tmp_path / "mask.png")
        truth = classify_photo(model, _like(path, tmp_path / "mask.png"), profile, CHEAL_BED)
        for cell, plant in zip(seen.cells, truth.cells, strict=True):
            if plant.probabilities and plant.probabilities[0] > 0.01:
                total += 1
                passed += not cell.skipped
    assert total > 50
    assert passed >= 0.98 * total


def _like(photo: Path, mask: Path) -> Path:
    """Give a mask's picture the EXIF of its photo, but for the turning, on which scale rests."""
    with Image.open(photo) as image:
        exif = image.getexif()
        exif[0x0112] = 1
    with Image.open(mask) as image:
        image.save(mask, exif=exif.tobytes())
    return mask
