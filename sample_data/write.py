"""Write drawn gardens as a person would hand them over, with the truth beside them.

    OUT/species.csv                      mask value, EPPO code and names
    OUT/SITE/camera.toml                 the camera as its owner describes it
    OUT/SITE/IMG_0001.jpg                the photo, with the EXIF facts of a camera
    OUT/SITE/masks/IMG_0001_mask.png     species value of every pixel, 0 is bare ground
    OUT/SITE/truth.jsonl                 one line a photo: scale, footprint, every plant

Some photos are stored turned and say so in their EXIF orientation. Masks and truth are for the
upright picture, the one that is seen after turning.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from sample_data.camera import Camera, footprint_mm, ground_to_pixel
from sample_data.plants import Plant, height_mm, radius_mm
from sample_data.rigs import camera_toml, equivalent_mm, upright_camera
from sample_data.scenes import Scene, draw
from sample_data.sites import SITES, Site, orientation_of, scene_of
from sample_data.species import SPECIES

# how the upright picture is turned to lie as the sensor delivered it
_TO_SENSOR = {3: Image.Transpose.ROTATE_180, 6: Image.Transpose.ROTATE_90}


@dataclass(frozen=True)
class Order:
    """What to write. ``width_px`` and ``height_px`` are the sensor's, before turning."""

    sites: int = 8
    photos_per_site: int = 5
    seed: int = 1
    width_px: int = 1296
    height_px: int = 972


@dataclass(frozen=True)
class _Photo:
    folder: Path
    site: Site
    number: int
    order: Order


def write(out: Path, order: Order, workers: int = 2) -> int:
    """Draw and write a set of gardens; returns the number of photos.

    Everything is written aside and renamed at the end. Raises FileExistsError when ``out`` exists,
    ValueError when the order cannot be met.
    """
    if not 1 <= order.sites <= len(SITES):
        raise ValueError(f"sites must be 1 to {len(SITES)}, not {order.sites}")
    if order.photos_per_site < 1 or order.seed < 0:
        raise ValueError("photos per site must be 1 or more, and the seed 0 or more")
    if out.exists():
        raise FileExistsError(f"{out} exists: name a new directory")
    aside = out.with_name(out.name + ".partial")
    shutil.rmtree(aside, ignore_errors=True)
    sites = SITES[: order.sites]
    for site in sites:
        (aside / site.name / "masks").mkdir(parents=True)
        text = camera_toml(site.rig, order.width_px, order.height_px)
        (aside / site.name / "camera.toml").write_text(text, encoding="utf-8")
    _write_species(aside / "species.csv")
    numbers = range(1, order.photos_per_site + 1)
    photos = [
        _Photo(aside / site.name, site, number, order) for site in sites for number in numbers
    ]
    if workers == 1:
        rows = [_write_photo(photo) for photo in photos]
    else:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            rows = list(pool.map(_write_photo, photos))
    for site in sites:
        own = (row for row, photo in zip(rows, photos, strict=True) if photo.site == site)
        _write_truth(aside / site.name / "truth.jsonl", own)
    aside.rename(out)
    return len(photos)


def _write_species(path: Path) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["value", "code", "scientific_name", "name"])
        for species in SPECIES:
            rows.writerow([species.value, species.code, species.scientific_name, species.name])


def _write_truth(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    lines = (json.dumps(row, separators=(",", ":")) + "\n" for row in rows)
    path.write_text("".join(lines), encoding="utf-8")


def _write_photo(photo: _Photo) -> dict[str, Any]:
    """Draw and write one photo with its mask; returns its line of truth."""
    site, order = photo.site, photo.order
    orientation = orientation_of(site, photo.number)
    camera = upright_camera(site.rig, order.width_px, order.height_px, orientation)
    scene = scene_of(site, photo.number, order.seed, footprint_mm(camera))
    pixels, mask = draw(scene, camera)
    stem = f"IMG_{photo.number:04d}"
    picture = Image.fromarray(pixels)
    if orientation in _TO_SENSOR:
        picture = picture.transpose(_TO_SENSOR[orientation])
    exif = _exif(site, photo.number, orientation, order)
    picture.save(photo.folder / f"{stem}.jpg", quality=90, exif=exif)
    Image.fromarray(mask).save(photo.folder / "masks" / f"{stem}_mask.png", compress_level=4)
    return _truth(f"{stem}.jpg", orientation, scene, camera)


def _exif(site: Site, number: int, orientation: int, order: Order) -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F] = "weedset drawn"
    exif[0x0110] = site.rig.name
    exif[0x0112] = orientation
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = f"{site.taken_on} 10:{number % 60:02d}:00"
    inner[0x920A] = IFDRational(round(site.rig.focal_length_mm * 1000), 1000)
    inner[0xA002] = order.width_px
    inner[0xA003] = order.height_px
    inner[0xA405] = equivalent_mm(site.rig, order.width_px, order.height_px)
    return exif


def _truth(name: str, orientation: int, scene: Scene, camera: Camera) -> dict[str, Any]:
    width_mm, length_mm = footprint_mm(camera)
    return {
        "photo": name,
        "site": scene.site,
        "orientation": orientation,
        "width_px": camera.width_px,
        "height_px": camera.height_px,
        "gsd_mm_per_px": camera.gsd_mm_per_px,
        "footprint_mm": [width_mm, length_mm],
        "height_mm": camera.height_mm,
        "focal_px": camera.focal_px,
        "ground": scene.ground.kind,
        "plants": [
            _plant_truth(plant, camera)
            for plant in scene.plants
            if abs(plant.x_mm) < width_mm / 2 + radius_mm(plant)
            and abs(plant.y_mm) < length_mm / 2 + radius_mm(plant)
        ],
    }


def _plant_truth(plant: Plant, camera: Camera) -> dict[str, Any]:
    """Where a plant's middle meets the ground, in mm and px, and how far it reaches."""
    x_px, y_px = ground_to_pixel(camera, [plant.x_mm, plant.y_mm]).tolist()
    return {
        "species": plant.code,
        "bbch": plant.bbch,
        "x_mm": plant.x_mm,
        "y_mm": plant.y_mm,
        "radius_mm": round(radius_mm(plant), 2),
        "height_mm": round(height_mm(plant), 2),
        "x_px": round(x_px, 3),
        "y_px": round(y_px, 3),
    }
