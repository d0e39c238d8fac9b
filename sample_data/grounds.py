"""Grounds: bare soil, wood-chip mulch and mown turf, drawn in mm so that their scale is right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sample_data.light import Light, Rgb, linear, relief
from sample_data.noise import Plane, Raster, rough_noise, smooth_noise, softened
from sample_data.pieces import Heap, look, ragged_ovals, scatter

Kind = Literal["soil", "mulch", "lawn"]
Picture = NDArray[np.float32]

# soil is soft enough to be drawn at the fineness of the picture; chips and blades are not
_FINER: dict[Kind, int] = {"soil": 1, "mulch": 2, "lawn": 2}


@dataclass(frozen=True)
class Ground:
    """What a bed is covered with.

    ``colour`` is the main colour, ``second`` that of stones (soil), of weathered chips (mulch) or
    of dead blades (lawn). ``coarse`` scales crumbs, chips and blades; ``litter`` is how many
    stones, or how much dead matter, 1 being usual.
    """

    kind: Kind
    colour: Rgb
    second: Rgb
    coarse: float = 1.0
    litter: float = 1.0


def draw_ground(ground: Ground, raster: Raster, light: Light, seed: int) -> Picture:
    """Lit ground (3, height_px, width_px) in linear light."""
    finer = _FINER[ground.kind]
    fine = raster.finer(finer)
    draw = {"soil": _soil, "mulch": _mulch, "lawn": _lawn}[ground.kind]
    picture = draw(ground, fine, light, seed)
    if finer == 1:
        return picture
    halves = picture[:, 0::2] + picture[:, 1::2]
    return np.asarray((halves[:, :, 0::2] + halves[:, :, 1::2]) * np.float32(0.25))


def _mix(first: NDArray[np.float32], second: NDArray[np.float32], share: Plane) -> Picture:
    """Blend two colours (3,) by a share (h, w) of the second: (3, h, w)."""
    span = (second - first)[:, None, None]
    return np.asarray(first[:, None, None] + span * share.astype(np.float32))


def _cover(picture: Picture, colour: NDArray[np.float32], share: Plane) -> None:
    """Blend a picture (3, h, w) in place towards a colour (3,) by a share (h, w)."""
    for channel in range(3):
        picture[channel] += (colour[channel] - picture[channel]) * share


def _take(values: NDArray[np.float64], number: NDArray[np.int32]) -> Plane:
    return np.take(values.astype(np.float32), number, mode="wrap")


def _soil(ground: Ground, raster: Raster, light: Light, seed: int) -> Picture:
    rng = np.random.default_rng([seed, 1])
    points = scatter(rng, raster, 640 / ground.coarse**2)
    count = len(points)
    radius = np.minimum(1.25 * (1 - rng.random(count)) ** (-1 / 2.5), 9.0) * ground.coarse
    order = np.argsort(radius + rng.normal(0, 0.8, count))
    radius = radius[order]
    is_stone = (rng.random(count) < 0.03 * ground.litter) & (radius > 1.8)
    heap = Heap(
        centre_mm=points[order],
        half_length_mm=radius,
        half_width_mm=radius * rng.uniform(0.62, 1.0, count),
        turn=rng.uniform(0, 2 * np.pi, count),
        bend=np.zeros(count),
        outlines=ragged_ovals(rng, count, 9, 0.16),
    )
    seen = look(heap, raster)
    bare = seen.number < 0
    rise = np.sqrt(np.clip(1 - 0.85 * (seen.along**2 + seen.across**2), 0.02, 1))
    flat = np.where(is_stone, 0.45, rng.uniform(0.2, 0.7, count)) * heap.half_width_mm
    lean = _take(rng.normal(0, 0.25, count), seen.number) * seen.along
    rise = rise + lean + _take(rng.normal(0, 0.25, count), seen.number) * seen.across
    lumps = softened(np.where(bare, 0, rise * _take(flat, seen.number)), 0.2)
    grain = rough_noise(raster, (2.6, 1.3, 0.7), seed + 11)
    tilth = rough_noise(raster, (70.0, 24.0, 9.0), seed + 12)
    stone = softened(np.where(bare, 0, _take(is_stone.astype(np.float64), seen.number)), 0.22)
    height = lumps + 1.6 * tilth * np.float32(ground.coarse) + 0.28 * grain * (1 - 0.85 * stone)
    tone = np.where(bare, 0, _take(rng.normal(0, 0.13, count), seen.number))
    damp = np.clip(0.5 + 0.3 * rough_noise(raster, (160.0, 45.0), seed + 13), 0, 1)
    dry, wet = linear(ground.colour), linear(ground.colour) * np.float32(0.62)
    albedo = _mix(dry, wet.astype(np.float32), damp)
    speck = np.clip(smooth_noise(raster, 0.9, seed + 14) - 1.6, 0, 1) * 0.5
    hue = np.where(bare, 0, _take(rng.normal(0, 0.5, count), seen.number))
    stone_colour = _mix(linear(ground.second), linear((150, 120, 96)), np.clip(hue, 0, 1))
    albedo += (stone_colour - albedo) * np.clip(stone + speck, 0, 1)
    lit = relief(height, raster.gsd_mm_per_px, light, 3.0) * (1 + tone) * (1 + 0.05 * grain)
    return np.asarray(albedo * lit, dtype=np.float32)


def _mulch(ground: Ground, raster: Raster, light: Light, seed: int) -> Picture:
    rng = np.random.default_rng([seed, 2])
    points = scatter(rng, raster, 235 / ground.coarse**2)
    count = len(points)
    sliver = rng.random(count) < 0.4
    half_length = rng.lognormal(np.log(8.5), 0.45, count).clip(2.5, 24) * ground.coarse
    slim = np.where(sliver, rng.uniform(0.07, 0.18, count), rng.uniform(0.2, 0.55, count))
    corners = np.array([[-1, -0.8], [-0.2, -1], [0.6, -0.95], [1, -0.6], [0.95, 0.7], [0.3, 1]])
    corners = np.concatenate([corners, [[-0.5, 0.95], [-1.0, 0.5]]])
    heap = Heap(
        centre_mm=points,
        half_length_mm=half_length,
        half_width_mm=np.maximum(half_length * slim, 0.9),
        turn=rng.uniform(0, 2 * np.pi, count),
        bend=rng.normal(0, 0.05, count),
        outlines=corners + rng.normal(0, 0.13, (count, 8, 2)),
    )
    seen = look(heap, raster)
    number = seen.number
    layer = np.arange(count) / count * 12.0 + rng.normal(0, 0.8, count)
    lean = _take(rng.normal(0, 0.9, count), number) * seen.along
    lean += _take(rng.normal(0, 0.5, count), number) * seen.across
    height = _take(layer, number) + lean - 0.5 * seen.across**2
    fibre = _fibres(seen.along, seen.across, heap, number, rng)
    height = np.where(number < 0, -2.0, height + 0.12 * fibre).astype(np.float32)
    height += 0.1 * smooth_noise(raster, 1.1, seed + 21)
    weathered = np.clip(_take(rng.beta(1.2, 1.6, count), number) + 0.08 * fibre, 0, 1)
    albedo = _mix(linear(ground.colour), linear(ground.second), weathered)
    bark = _take((rng.random(count) < 0.16 * ground.litter).astype(np.float64), number)
    _cover(albedo, linear((70, 52, 40)), 0.85 * bark)
    _cover(albedo, linear((80, 63, 48)), (number < 0).astype(np.float32))
    tone = 1 + _take(rng.normal(0, 0.16, count), number) + 0.10 * fibre
    lit = relief(height, raster.gsd_mm_per_px, light, 4.0) * tone
    return np.asarray(albedo * lit, dtype=np.float32)


def _fibres(
    along: Plane,
    across: Plane,
    heap: Heap,
    number: NDArray[np.int32],
    rng: np.random.Generator,
) -> Plane:
    """Wood grain: streaks along each chip, about 0.8 mm apart, of spread about 0.7."""
    rough = rng.standard_normal(4096)
    streaks = np.convolve(rough, [0.25, 0.5, 0.25], mode="same").astype(np.float32)
    start = _take(rng.uniform(0, 4000, len(heap)), number)
    width_mm = across * _take(heap.half_width_mm, number)
    wave = np.sin(along * 3 + start) * 0.5
    streak = ((width_mm + wave) * 2.6 + start).astype(np.int32)
    return np.asarray(np.take(streaks, streak, mode="wrap"))


def _lawn(ground: Ground, raster: Raster, light: Light, seed: int) -> Picture:
    rng = np.random.default_rng([seed, 3])
    points = scatter(rng, raster, 900 / ground.coarse)
    count = len(points)
    depth = np.sort(rng.random(count))
    along = np.array([-1.0, -0.5, 0.0, 0.5, 1.0, 0.5, 0.0, -0.5])
    across = np.array([-0.7, -0.95, -1.0, -0.75, 0.0, 0.75, 1.0, 0.95])
    lie = 2.4 * smooth_noise_at(points, 60.0, rng)
    heap = Heap(
        centre_mm=points,
        half_length_mm=rng.uniform(7, 19, count) * ground.coarse,
        half_width_mm=rng.uniform(0.45, 1.05, count) * np.sqrt(ground.coarse),
        turn=lie + rng.normal(0, 0.9, count),
        bend=rng.normal(0, 0.22, count),
        outlines=np.broadcast_to(np.stack([along, across], axis=-1), (count, 8, 2)).copy(),
    )
    seen = look(heap, raster)
    number = seen.number
    arch = 3.0 * (1 - seen.along**2)
    height = _take(depth * 16, number) + arch - 0.35 * seen.across**2
    height = np.where(number < 0, -3, height).astype(np.float32)
    dead = (rng.random(count) < 0.10 * ground.litter) & (depth < 0.8)
    hue = rng.normal(0, 1, count)
    fresh, pale = linear(ground.colour), linear(ground.colour) * np.float32(1.35)
    yellow = pale * np.array([1.35, 1.08, 0.8], dtype=np.float32)
    albedo = _mix(fresh, yellow.astype(np.float32), np.clip(0.3 + 0.3 * _take(hue, number), 0, 1))
    _cover(albedo, linear(ground.second), _take(dead.astype(np.float64), number))
    _cover(albedo, linear((60, 50, 38)), (number < 0).astype(np.float32))
    keel = 1 - 0.22 * np.exp(-((seen.across * 4) ** 2))
    base = 0.72 + 0.28 * np.clip(seen.along * 0.6 + 0.6, 0, 1)
    under = _take(0.30 + 0.75 * depth**0.8, number)
    patch = 1 + 0.10 * rough_noise(raster, (140.0, 50.0), seed + 31)
    lit = relief(height, raster.gsd_mm_per_px, light, 5.0) * keel * base * under * patch
    return np.asarray(albedo * lit, dtype=np.float32)


def smooth_noise_at(
    points_mm: NDArray[np.float64], wavelength_mm: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """A smooth random value (n,) at points (n, 2): a few waves in random directions."""
    total = np.zeros(len(points_mm))
    for _ in range(5):
        direction = rng.normal(0, 2 * np.pi / wavelength_mm / 2, 2)
        total += np.sin(points_mm @ direction + rng.uniform(0, 2 * np.pi))
    return np.asarray(total / 2.2)
