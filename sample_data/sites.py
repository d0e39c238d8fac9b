"""Eight invented gardens, each with its own ground, light, camera, crops and weeds."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from sample_data.develop import Sensor
from sample_data.grounds import Ground
from sample_data.light import BroadShadow, Light
from sample_data.plants import Plant
from sample_data.rigs import Rig
from sample_data.scenes import Scene

Rng = np.random.Generator
Weights = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Bed:
    """How a garden is planted.

    Rows of ``crops`` in turn run down the picture ``row_mm`` apart, plants ``plant_mm`` apart in
    the row (none: no rows). ``crop_stages`` and ``weed_stages`` are the BBCH range; ``weeds`` gives
    each species' share; ``weeds_per_dm2`` the mean number per 100 x 100 mm.
    """

    crops: tuple[str, ...]
    row_mm: float
    plant_mm: float
    crop_stages: tuple[int, int]
    weeds: Weights
    weed_stages: tuple[int, int]
    weeds_per_dm2: float
    size: float = 1.0


@dataclass(frozen=True)
class Site:
    """One garden. ``turned`` is the EXIF orientation that some of its photos carry."""

    name: str
    ground: Ground
    bed: Bed
    rig: Rig
    sensor: Sensor
    sun: tuple[float, float]
    taken_on: str
    turned: int = 1


SITES: tuple[Site, ...] = (
    Site(
        "long-acre",
        Ground("soil", (112, 86, 66), (160, 152, 140)),
        Bed(
            ("DAUCS",),
            130,
            34,
            (12, 14),
            (("CHEAL", 3), ("STEME", 2), ("POAAN", 2), ("TAROF", 1), ("SENVU", 1)),
            (10, 15),
            1.7,
        ),
        Rig("long-acre cart, straight down", 420.0, 3.6, "pitch", 2.8),
        Sensor((1.02, 1.0, 0.98)),
        (0.45, 0.7),
        "2026:05:14",
    ),
    Site(
        "school-beds",
        Ground("soil", (94, 84, 76), (186, 178, 160), coarse=0.8, litter=2.5),
        Bed(
            ("LACSA", "DAUCS"),
            210,
            190,
            (14, 17),
            (("STEME", 3), ("POAAN", 2), ("TAROF", 2), ("CHEAL", 2)),
            (10, 17),
            1.3,
            0.85,
        ),
        Rig("school-beds phone on a stick", 450.0, 4.25, "equivalent", 26.0),
        Sensor((0.98, 1.0, 1.05), fall_off=0.3, grain=0.010, contrast=0.5),
        (0.1, 0.3),
        "2026:05:20",
        turned=6,
    ),
    Site(
        "mill-lane",
        Ground("mulch", (186, 146, 100), (150, 138, 124)),
        Bed(
            ("BEAVX",),
            180,
            110,
            (14, 16),
            (("TAROF", 3), ("CHEAL", 2), ("STEME", 2), ("POAAN", 1)),
            (10, 16),
            1.7,
            0.9,
        ),
        Rig("mill-lane trolley", 400.0, 6.0, "width", 62.0),
        Sensor((1.04, 1.0, 0.92), grain=0.016),
        (0.55, 0.75),
        "2026:06:02",
    ),
    Site(
        "chapel-green",
        Ground("lawn", (96, 128, 52), (176, 156, 104)),
        Bed(
            (),
            0,
            0,
            (0, 0),
            (("TAROF", 4), ("PLAMA", 4), ("STEME", 2), ("CAPBP", 1)),
            (12, 19),
            1.2,
            0.9,
        ),
        Rig("chapel-green mower, scale from a ruler", 380.0, 3.0, "scale", 0.31),
        Sensor((1.0, 1.0, 0.97), fall_off=0.25),
        (0.3, 0.7),
        "2026:05:28",
    ),
    Site(
        "ferry-plots",
        Ground("soil", (148, 106, 76), (176, 140, 112), coarse=1.3, litter=0.6),
        Bed(
            ("BEAVX", "DAUCS"),
            150,
            75,
            (10, 14),
            (("CHEAL", 3), ("POAAN", 2), ("STEME", 2), ("TAROF", 1)),
            (10, 14),
            2.0,
            0.9,
        ),
        Rig("ferry-plots hoe frame, camera upside down", 480.0, 2.8, "diagonal", 57.0),
        Sensor((1.05, 1.0, 0.95), blur=0.18, grain=0.020, contrast=0.25),
        (0.5, 0.75),
        "2026:05:09",
        turned=3,
    ),
    Site(
        "tin-shed",
        Ground("mulch", (150, 116, 84), (120, 108, 98), coarse=0.7),
        Bed(
            ("LACSA", "BEAVX"),
            170,
            150,
            (12, 15),
            (("POAAN", 3), ("STEME", 2), ("CHEAL", 2), ("TAROF", 2)),
            (10, 15),
            2.0,
            0.85,
        ),
        Rig("tin-shed pole camera", 350.0, 4.0, "height", 48.0),
        Sensor((0.95, 1.0, 1.06), exposure=1.1, grain=0.014),
        (0.05, 0.35),
        "2026:09:03",
    ),
    Site(
        "hill-terrace",
        Ground("soil", (126, 100, 72), (190, 176, 146), coarse=1.5, litter=1.0),
        Bed(
            ("DAUCS", "LACSA"),
            160,
            60,
            (12, 15),
            (("CHEAL", 2), ("STEME", 2), ("POAAN", 2), ("TAROF", 2), ("SENVU", 1)),
            (10, 15),
            1.6,
            0.95,
        ),
        Rig("hill-terrace barrow", 440.0, 3.0, "width", 54.0),
        Sensor((1.0, 1.0, 1.02), grain=0.012),
        (0.35, 0.7),
        "2026:05:17",
    ),
    Site(
        "brook-side",
        Ground("soil", (84, 72, 60), (140, 136, 128), coarse=0.9, litter=3.0),
        Bed(
            ("BEAVX", "LACSA"),
            190,
            120,
            (12, 16),
            (("TAROF", 2), ("CHEAL", 2), ("STEME", 2), ("POAAN", 2), ("CAPBP", 1)),
            (10, 16),
            1.5,
            0.9,
        ),
        Rig("brook-side phone on a rake", 500.0, 4.25, "equivalent", 28.0),
        Sensor((1.02, 1.0, 0.97), fall_off=0.2, grain=0.012),
        (0.2, 0.6),
        "2026:06:08",
    ),
)


def orientation_of(site: Site, number: int) -> int:
    """EXIF orientation of a photo: every other photo of a turning site is turned, from the 2nd."""
    return site.turned if number % 2 == 0 else 1


def scene_of(site: Site, number: int, seed: int, footprint_mm: tuple[float, float]) -> Scene:
    """The scene of one photo of a site; ``number`` counts from 1."""
    own = sum(ord(letter) * (place + 1) for place, letter in enumerate(site.name))
    rng = np.random.default_rng([seed, own, number])
    plants = _crop_rows(site.bed, footprint_mm, rng)
    plants += _weeds(site.bed, footprint_mm, plants, rng)
    scene_seed = int(rng.integers(1 << 30))
    return Scene(site.name, site.ground, tuple(plants), _light(site, rng), site.sensor, scene_seed)


def _light(site: Site, rng: Rng) -> Light:
    sun = float(rng.uniform(*site.sun))
    shadow = None
    if sun > 0.35 and rng.random() < 0.45:
        angle = float(rng.choice([0.0, 90.0, 180.0, 270.0]) + rng.normal(0, 15))
        disc = 150.0 if rng.random() < 0.3 else 0.0
        shadow = BroadShadow(angle, float(rng.uniform(20, 130)), float(rng.uniform(5, 16)), disc)
    azimuth, elevation = float(rng.uniform(0, 360)), float(rng.uniform(32, 58))
    return Light(azimuth, elevation, sun, float(rng.normal(0.1, 0.3)), shadow)


def _plant(code: str, bbch: int, at: tuple[float, float], size: float, rng: Rng) -> Plant:
    return Plant(
        code=code,
        bbch=bbch,
        x_mm=round(at[0], 2),
        y_mm=round(at[1], 2),
        rotation_deg=round(float(rng.uniform(0, 360)), 1),
        size=round(float(size * rng.lognormal(0, 0.16)), 3),
        look=round(float(rng.random()), 3),
        seed=int(rng.integers(1 << 30)),
    )


def _crop_rows(bed: Bed, footprint_mm: tuple[float, float], rng: Rng) -> list[Plant]:
    if not bed.crops:
        return []
    wide, long = footprint_mm[0] / 2 + 60, footprint_mm[1] / 2 + 60
    slope = rng.normal(0, 0.03)
    plants: list[Plant] = []
    rows = itertools.cycle(bed.crops)
    x = -wide - rng.uniform(0, bed.row_mm)
    while x < wide:
        crop = next(rows)
        y = -long - rng.uniform(0, bed.plant_mm)
        while y < long:
            y += bed.plant_mm * rng.lognormal(-0.02, 0.2)
            if rng.random() < 0.08:
                continue
            bbch = int(rng.integers(bed.crop_stages[0], bed.crop_stages[1] + 1))
            at = (float(x + slope * y + rng.normal(0, 0.03 * bed.row_mm)), float(y))
            plants.append(_plant(crop, bbch, at, bed.size, rng))
        x += bed.row_mm
    return plants


def _weeds(
    bed: Bed, footprint_mm: tuple[float, float], crops: list[Plant], rng: Rng
) -> list[Plant]:
    """Weeds, partly in clumps of one species, some of them right beside a crop plant."""
    wide, long = footprint_mm[0] / 2 + 40, footprint_mm[1] / 2 + 40
    wanted = int(rng.poisson(4 * wide * long / 1e4 * bed.weeds_per_dm2 * rng.uniform(0.6, 1.4)))
    shares = np.array([share for _, share in bed.weeds])
    plants: list[Plant] = []
    while len(plants) < wanted:
        code = bed.weeds[int(rng.choice(len(shares), p=shares / shares.sum()))][0]
        middle = np.array([rng.uniform(-wide, wide), rng.uniform(-long, long)])
        if crops and rng.random() < 0.2:
            host = crops[int(rng.integers(len(crops)))]
            middle = np.array([host.x_mm, host.y_mm]) + rng.normal(0, 16, 2)
        for _ in range(1 if rng.random() < 0.55 else int(rng.integers(2, 6))):
            at = middle + rng.normal(0, 18, 2)
            bbch = _weed_stage(code, bed.weed_stages, rng)
            plants.append(_plant(code, bbch, (float(at[0]), float(at[1])), bed.size, rng))
    return plants


def _weed_stage(code: str, stages: tuple[int, int], rng: Rng) -> int:
    """A BBCH stage in the bed's range; big ones may tiller (grass) or flower."""
    bbch = int(rng.integers(stages[0], stages[1] + 1))
    if bbch >= 15:
        if code == "POAAN":
            return int(rng.integers(21, 25))
        if code == "STEME":
            return int(rng.choice([22, 25, 62]))
        if code == "TAROF" and bbch >= 17 and rng.random() < 0.25:
            return 62
    return bbch
