"""What a written set holds: files, EXIF, turning, camera file and truth that agree."""

from __future__ import annotations

import csv
import json
import math
import tomllib
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
from PIL import Image, ImageOps

from sample_data.__main__ import main
from sample_data.write import Order, write

SIZE = (324, 243)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("drawn") / "set"
    assert write(out, Order(6, 2, 3, *SIZE)) == 12
    return out


def truth(site: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (site / "truth.jsonl").read_text().splitlines()]


def mask_of(site: Path, row: dict[str, Any]) -> np.ndarray:
    with Image.open(site / "masks" / row["photo"].replace(".jpg", "_mask.png")) as mask:
        return np.asarray(mask)


def sites(drawn: Path) -> list[Path]:
    found = sorted(path for path in drawn.iterdir() if path.is_dir())
    assert len(found) == 6
    return found


def test_masks_and_truth_fit_the_upright_photo(drawn: Path) -> None:
    turned = set()
    for site in sites(drawn):
        for row in truth(site):
            with Image.open(site / row["photo"]) as stored:
                stored.load()
            assert stored.size == SIZE
            turned.add(stored.getexif()[0x0112])
            assert stored.getexif()[0x0112] == row["orientation"]
            upright = ImageOps.exif_transpose(stored)
            assert (
                upright.size
                == mask_of(site, row).shape[::-1]
                == (row["width_px"], row["height_px"])
            )
    assert turned == {1, 3, 6}


def test_mask_lies_on_the_green_of_the_upright_photo(drawn: Path) -> None:
    """Excess green 2g-r-b (Woebbecke et al. 1995) is higher on the mask than off it."""
    for site in sites(drawn):
        for row in truth(site):
            if row["ground"] == "lawn":
                continue
            with Image.open(site / row["photo"]) as stored:
                rgb = np.asarray(ImageOps.exif_transpose(stored), dtype=float) + 1
            r, g, b = np.moveaxis(rgb / rgb.sum(axis=-1, keepdims=True), -1, 0)
            mask = mask_of(site, row)
            excess = 2 * g - r - b
            assert excess[mask > 0].mean() > excess[mask == 0].mean() + 0.1, row["photo"]


def gsd_from(camera: dict[str, Any]) -> float:
    """Scale by the formulas of the check values: GSD = p H / f, FOV = 2 atan(s / 2f)."""
    if "scale" in camera:
        return float(camera["scale"]["gsd_mm_per_px"])
    lens, image = camera["lens"], camera["image"]
    width, height = image["width_px"], image["height_px"]
    diagonal = math.hypot(width, height)
    if "pixel_pitch_um" in lens:
        return lens["pixel_pitch_um"] / 1000 * camera["height_mm"] / lens["focal_length_mm"]
    if "focal_length_35mm_mm" in lens:
        return camera["height_mm"] * 43.266615 / (lens["focal_length_35mm_mm"] * diagonal)
    across = {"width": width, "height": height, "diagonal": diagonal}
    half = math.tan(math.radians(lens["field_of_view_deg"]) / 2)
    return 2 * camera["height_mm"] * half / across[lens["field_of_view_across"]]


def test_camera_file_gives_the_true_scale(drawn: Path) -> None:
    kinds = set()
    for site in sites(drawn):
        camera = tomllib.loads((site / "camera.toml").read_text())
        kinds.update(camera.get("lens", camera.get("scale")))
        for row in truth(site):
            assert row["gsd_mm_per_px"] == pytest.approx(gsd_from(camera), rel=1e-6)
            size = (row["width_px"], row["height_px"])
            assert row["footprint_mm"] == pytest.approx([n * row["gsd_mm_per_px"] for n in size])
    assert kinds >= {"field_of_view_deg", "pixel_pitch_um", "focal_length_35mm_mm",
                     "gsd_mm_per_px"}  # fmt: skip


def test_plants_lie_where_the_truth_says(drawn: Path) -> None:
    with (drawn / "species.csv").open(newline="") as file:
        values = {row["code"]: int(row["value"]) for row in csv.DictReader(file)}
    for site in sites(drawn):
        for row in truth(site):
            mask = mask_of(site, row)
            shown = {int(value) for value in np.unique(mask)} - {0, values["LOLPE"]}
            assert shown <= {values[plant["species"]] for plant in row["plants"]}
            for plant in row["plants"]:
                x = plant["x_mm"] / row["gsd_mm_per_px"] + (row["width_px"] - 1) / 2
                y = plant["y_mm"] / row["gsd_mm_per_px"] + (row["height_px"] - 1) / 2
                assert (plant["x_px"], plant["y_px"]) == pytest.approx((x, y), abs=1e-3)


def test_exif_is_read_by_another_library(drawn: Path) -> None:
    """ExifRead, and tag meanings of EXIF 2.3 / CIPA DC-008."""
    for site in sites(drawn):
        with (site / "IMG_0001.jpg").open("rb") as file:
            tags = exifread.process_file(file, details=False)
        assert str(tags["Image Make"]) == "weedset drawn"
        assert str(tags["EXIF DateTimeOriginal"]).startswith("2026:")
        row = truth(site)[0]
        f35 = row["focal_px"] * 43.2666 / math.hypot(*SIZE)
        assert tags["EXIF FocalLengthIn35mmFilm"].values[0] == round(f35)
        assert float(tags["EXIF FocalLength"].values[0]) in {2.8, 3.0, 3.6, 4.0, 4.25, 6.0}


def test_a_set_repeats_for_a_seed(tmp_path: Path) -> None:
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        write(tmp_path / name, Order(1, 1, seed, *SIZE), workers=1)
    files = [path.relative_to(tmp_path / "a") for path in (tmp_path / "a").rglob("*.*")]
    assert len(files) == 5
    assert all(
        (tmp_path / "a" / path).read_bytes() == (tmp_path / "b" / path).read_bytes()
        for path in files
    )
    photo = Path("long-acre") / "IMG_0001.jpg"
    assert (tmp_path / "a" / photo).read_bytes() != (tmp_path / "c" / photo).read_bytes()


def test_the_command_refuses_plainly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path)]) == 1
    assert "exists" in capsys.readouterr().err
    assert main([str(tmp_path / "new"), "--sites", "99"]) == 1
    assert not (tmp_path / "new").exists()
    with pytest.raises(SystemExit) as stopped:
        main([str(tmp_path / "new"), "--size", "huge"])
    assert stopped.value.code == 2
