"""Paint leaves onto a lit ground, each with its soft shadow, and onto the species mask.

The canvas is the view of a lens that looks straight down: a point at height h above the ground is
shifted away from the point under the lens by H / (H - h), as in a real picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from sample_data.leaves import Leaf, foot_mm, place
from sample_data.light import Light, linear
from sample_data.noise import Plane, Raster

Floats = NDArray[np.float64]
Mask = NDArray[np.uint8]

_FINER = 4


@dataclass(frozen=True)
class Canvas:
    """A picture under way. The arrays are written in place.

    ``picture`` (3, h, w) in linear light, ``mask`` (h, w) of species values, ``grain`` (h, w) a
    noise of spread 1, fixed to the ground, that leaves take their mottling from.
    """

    raster: Raster
    lens_height_mm: float
    picture: NDArray[np.float32]
    mask: Mask
    grain: Plane


@dataclass(frozen=True)
class _Patch:
    """Rows and columns of the canvas that a leaf touches."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def slices(self) -> tuple[slice, slice]:
        return slice(self.top, self.bottom), slice(self.left, self.right)


def paint_leaf(
    canvas: Canvas, leaf: Leaf, centre_mm: tuple[float, float], value: int, light: Light
) -> None:
    """Paint one leaf of a plant whose middle stands at ``centre_mm``; leaves off the canvas pass.

    Pixels covered by half or more take ``value`` in the mask.
    """
    outlines = _place_all(leaf, leaf.shapes, centre_mm)
    _shade_below(canvas, leaf, outlines, light)
    seen = _to_pixels(canvas, outlines)
    patch = _patch(canvas, seen.points, 1)
    if patch is None:
        return
    holes = _to_pixels(canvas, _place_all(leaf, leaf.holes, centre_mm))
    cover = _coverage(patch, seen, holes, _FINER)
    colour = _leaf_colour(canvas, leaf, centre_mm, patch, light)
    below = canvas.picture[(slice(None), *patch.slices)]
    below += (colour - below) * cover
    canvas.mask[patch.slices][cover >= 0.5] = value


@dataclass(frozen=True)
class _Outlines:
    """Many outlines in one: all corners (n, 2), their heights (n,), and where each one ends."""

    points: Floats
    heights_mm: Floats
    ends: list[int]


_NOTHING = _Outlines(np.zeros((0, 2)), np.zeros(0), [])


def _place_all(leaf: Leaf, shapes: tuple[Floats, ...], centre_mm: tuple[float, float]) -> _Outlines:
    """Outlines of a leaf in mm of ground. No shapes: no corners."""
    ends = np.cumsum([len(shape) for shape in shapes], dtype=int).tolist()
    corners = np.concatenate(shapes) if shapes else np.zeros((0, 2))
    points, heights = place(leaf, corners, foot_mm(leaf))
    return _Outlines(points + np.array(centre_mm), heights, ends)


def _to_pixels(canvas: Canvas, outlines: _Outlines) -> _Outlines:
    raster = canvas.raster
    nearer = canvas.lens_height_mm / (canvas.lens_height_mm - outlines.heights_mm)
    offset = np.array([raster.x0_px, raster.y0_px])
    pixels = outlines.points * (nearer / raster.gsd_mm_per_px)[:, None] + offset
    return _Outlines(pixels, outlines.heights_mm, outlines.ends)


def _patch(canvas: Canvas, corners: Floats, margin_px: int) -> _Patch | None:
    low = np.floor(corners.min(axis=0)).astype(int) - margin_px
    high = np.ceil(corners.max(axis=0)).astype(int) + margin_px + 1
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    right = min(int(high[0]), canvas.raster.width_px)
    bottom = min(int(high[1]), canvas.raster.height_px)
    if left >= right or top >= bottom:
        return None
    return _Patch(left, top, right, bottom)


def _coverage(patch: _Patch, outlines: _Outlines, holes: _Outlines, finer: int) -> Plane:
    """Share (h, w) of each pixel that outlines cover and holes do not, from a finer drawing."""
    size = ((patch.right - patch.left) * finer, (patch.bottom - patch.top) * finer)
    picture = Image.new("L", size, 0)
    draw = ImageDraw.Draw(picture)
    corner = np.array([patch.left, patch.top])
    for fill, shapes in ((255, outlines), (0, holes)):
        fine = np.rint((shapes.points - corner + 0.5) * finer - 0.5).astype(int)
        flat, start = fine.ravel().tolist(), 0
        for end in shapes.ends:
            draw.polygon(flat[2 * start : 2 * end], fill=fill)
            start = end
    if finer > 1:
        picture = picture.reduce(finer)
    return np.asarray(picture, dtype=np.float32) * np.float32(1 / 255)


def _shade_below(canvas: Canvas, leaf: Leaf, outlines: _Outlines, light: Light) -> None:
    """Darken what lies below by the leaf's cast shadow and by the sky that it hides."""
    away = -np.array(light.towards) * light.reach
    gsd = canvas.raster.gsd_mm_per_px
    sharp = 0.25 + (1 - light.sun) * 0.9
    for strength, reach, soft in (
        (0.80 * light.sun, 1.0, 0.10 * sharp),
        (0.50 * (1 - light.sun) + 0.10, 0.25, 0.55),
    ):
        thrown = outlines.points + away * (outlines.heights_mm * reach)[:, None]
        level = np.zeros_like(outlines.heights_mm)
        shadows = _to_pixels(canvas, _Outlines(thrown, level, outlines.ends))
        blur_px = 0.5 + leaf.middle_height_mm * soft / gsd
        patch = _patch(canvas, shadows.points, int(blur_px * 2.5) + 2)
        if patch is None:
            continue
        cover = _coverage(patch, shadows, _NOTHING, 1)
        eight_bit = Image.fromarray((cover * 255).astype(np.uint8))
        soft_cover = np.asarray(eight_bit.filter(ImageFilter.GaussianBlur(blur_px)))
        keep = 1 - soft_cover.astype(np.float32) * np.float32(strength / 255)
        canvas.picture[(slice(None), *patch.slices)] *= keep


def _leaf_frame(
    canvas: Canvas, leaf: Leaf, centre_mm: tuple[float, float], patch: _Patch
) -> tuple[Plane, Plane]:
    """Where each pixel lies on the leaf, in mm along and across; leans taken as level."""
    raster = canvas.raster
    nearer = (canvas.lens_height_mm - leaf.middle_height_mm) / canvas.lens_height_mm
    scale = np.float32(raster.gsd_mm_per_px * nearer)
    cols = np.arange(patch.left, patch.right, dtype=np.float32) - np.float32(raster.x0_px)
    rows = np.arange(patch.top, patch.bottom, dtype=np.float32) - np.float32(raster.y0_px)
    dx = (cols * scale - np.float32(centre_mm[0] + leaf.base_mm[0]))[None, :]
    dy = (rows * scale - np.float32(centre_mm[1] + leaf.base_mm[1]))[:, None]
    cos, sin = np.float32(np.cos(leaf.turn_rad)), np.float32(np.sin(leaf.turn_rad))
    along = dx * cos + dy * sin
    across = dy * cos - dx * sin
    across -= np.float32(leaf.bend / leaf.length_mm) * along * np.abs(along)
    return along, across


def _leaf_colour(
    canvas: Canvas, leaf: Leaf, centre_mm: tuple[float, float], patch: _Patch, light: Light
) -> NDArray[np.float32]:
    """Lit colour (3, h, w) of the leaf over its patch."""
    skin = leaf.skin
    along_mm, across_mm = _leaf_frame(canvas, leaf, centre_mm, patch)
    along = along_mm * np.float32(1 / leaf.length_mm)
    across = across_mm * np.float32(1 / leaf.half_width_mm)
    grain = canvas.grain[patch.slices]
    to_tip = np.clip(along * 1.1 - 0.05 + 0.06 * grain, 0, 1)
    base, tip = linear(skin.base)[:, None, None], linear(skin.tip)[:, None, None]
    colour = base + (tip - base) * to_tip
    vein, bump = _veins(leaf, along, across + 0.05 * grain)
    bump = 0.55 * bump + 0.35 * grain
    if skin.blotched > 0:
        share = np.clip((grain - 1.2 + 2.0 * skin.blotched) * 0.8, 0, 0.85)
        colour += (linear(skin.blotch)[:, None, None] - colour) * share
    if skin.mealy > 0:
        fine = np.clip(0.5 - 0.45 * grain, 0, 1)
        share = skin.mealy * fine * np.clip(1.15 - along, 0.15, 1)
        colour += (linear((196, 198, 190))[:, None, None] - colour) * share
    rib = np.clip(1.2 - np.abs(across_mm) / max(skin.rib_mm, 0.05) * (0.6 + 0.7 * to_tip), 0, 1)
    rib = np.maximum(rib * 0.9 * (skin.rib_mm > 0), vein * skin.vein_strength)
    colour += (linear(skin.rib)[:, None, None] - colour) * rib
    stalk = np.clip(-along_mm * 1.2 + 0.3, 0, 1)
    colour += (linear(skin.stalk)[:, None, None] - colour) * stalk
    lit = _leaf_light(leaf, along, across, bump, light) * (1 + 0.05 * grain)
    colour *= lit
    if skin.gloss > 0:
        spot = np.exp(-(((across - 0.35) * 2.4) ** 2) - ((along - 0.55) * 2.2) ** 2)
        sheen = skin.gloss * light.sun * spot * np.clip(0.55 + 0.5 * bump + 0.2 * grain, 0, 1)
        colour += np.float32(0.22) * sheen
    return np.asarray(colour, dtype=np.float32)


def _veins(leaf: Leaf, along: Plane, across: Plane) -> tuple[Plane, Plane]:
    """Side veins (0 to 1) and how far the blade bulges between them (-1 to 1)."""
    skin = leaf.skin
    if skin.veins == 0:
        return np.zeros_like(along), np.zeros_like(along)
    if skin.parallel:
        phase = across / (0.35 + np.sin(np.clip(along, 0, 1) * np.pi)) * skin.veins
    else:
        ratio = leaf.half_width_mm / leaf.length_mm
        sideways = np.abs(across)
        phase = (along - skin.slant * ratio * sideways * (1 + 0.25 * sideways)) * skin.veins
        phase += 0.35 * (across > 0)
    gap_mm = (leaf.half_width_mm if skin.parallel else leaf.length_mm) / skin.veins
    off_mm = np.abs(phase - np.rint(phase)) * np.float32(gap_mm)
    thick_mm = (0.25 + 0.012 * leaf.length_mm) * np.clip(1.3 - 0.8 * np.abs(across), 0.3, 1)
    vein = np.clip(1.3 - off_mm / thick_mm, 0, 1) * np.clip(1.35 - np.abs(across), 0.2, 1)
    return vein, -np.cos(phase * np.float32(2 * np.pi))


def _leaf_light(leaf: Leaf, along: Plane, across: Plane, bump: Plane, light: Light) -> Plane:
    """Brightness of the blade: its two halves, its arch, and the puckering between veins."""
    to_x, to_y = light.towards
    cos, sin = np.cos(leaf.turn_rad), np.sin(leaf.turn_rad)
    to_tip, to_side = to_x * cos + to_y * sin, to_y * cos - to_x * sin
    halves = np.tanh(across * 5) * np.float32(leaf.fold * to_side)
    arch = across * np.float32(0.28 * to_side) + (along - 0.45) * np.float32(leaf.droop * to_tip)
    tilt = (halves * 0.45 + arch) * np.float32(0.35 + 0.75 * light.sun)
    pucker = bump * np.float32(0.16 * leaf.skin.puckered)
    ripple = np.sin(along * np.float32(34) + bump * 1.5 + across * 3) * np.minimum(across**2, 1)
    pucker += ripple * np.float32(0.22 * leaf.skin.frill)
    deep = 1 - 0.28 * np.exp(-np.clip(along + 0.1, 0, 2) * 5)
    return np.asarray(np.clip(1.0 + tilt + pucker, 0.35, 1.7) * deep, dtype=np.float32)
