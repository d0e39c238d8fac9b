"""How each invented garden's camera states its optics, and the drawn camera that follows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from sample_data.camera import Camera

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
_USUAL_WIDTH_PX = 1296

Kind = Literal["width", "height", "diagonal", "pitch", "equivalent", "scale"]


@dataclass(frozen=True)
class Rig:
    """A camera as its owner would describe it.

    ``kind`` says what ``value`` is: the field of view across "width", "height" or "diagonal" in
    deg, the pixel "pitch" in um at 1296 px width, the 35 mm "equivalent" focal length in mm, or
    the "scale" in mm per px at 1296 px width. ``focal_length_mm`` is the lens's own.
    """

    name: str
    height_mm: float
    focal_length_mm: float
    kind: Kind
    value: float


def focal_px(rig: Rig, width_px: int, height_px: int) -> float:
    """Focal length in px for a sensor that delivers width x height pixels.

    Field of view: f = s / (2 tan(FOV / 2)); pitch: f / p; 35 mm equivalent by equal diagonals:
    f = f35 * diagonal / 43.27 mm; scale: H / gsd.
    """
    diagonal_px = math.hypot(width_px, height_px)
    across = {"width": float(width_px), "height": float(height_px), "diagonal": diagonal_px}
    if rig.kind in across:
        return across[rig.kind] / (2 * math.tan(math.radians(rig.value) / 2))
    if rig.kind == "equivalent":
        return rig.value * diagonal_px / FULL_FRAME_DIAGONAL_MM
    if rig.kind == "pitch":
        return rig.focal_length_mm * 1000 / _at_width(rig, width_px)
    return rig.height_mm / _at_width(rig, width_px)


def equivalent_mm(rig: Rig, width_px: int, height_px: int) -> int:
    """35 mm equivalent focal length as EXIF states it, in whole mm."""
    diagonal_px = math.hypot(width_px, height_px)
    return round(focal_px(rig, width_px, height_px) * FULL_FRAME_DIAGONAL_MM / diagonal_px)


def upright_camera(rig: Rig, width_px: int, height_px: int, orientation: int) -> Camera:
    """The camera of the upright picture; ``width_px`` and ``height_px`` are the sensor's own."""
    focal = focal_px(rig, width_px, height_px)
    if orientation in (6, 8):
        width_px, height_px = height_px, width_px
    return Camera(width_px, height_px, focal, rig.height_mm)


def camera_toml(rig: Rig, width_px: int, height_px: int) -> str:
    """Text of ``camera.toml``: pixels as the sensor delivers them, before any turning by EXIF.

    A drawn camera hangs exactly as it says, so it is as sure of that as a careful owner can be.
    """
    lines = [f'name = "{rig.name}"', f"height_mm = {rig.height_mm!r}", "height_uncertainty_mm = 2"]
    if rig.kind == "scale":
        gsd = _at_width(rig, width_px)
        lines += ["[scale]", f"gsd_mm_per_px = {gsd!r}"]
        lines += [f"uncertainty_mm_per_px = {gsd * 0.005:.6f}"]
    elif rig.kind == "pitch":
        lines += ["[lens]", f"focal_length_mm = {rig.focal_length_mm!r}"]
        lines += [f"pixel_pitch_um = {_at_width(rig, width_px)!r}"]
    elif rig.kind == "equivalent":
        lines += ["[lens]", f"focal_length_35mm_mm = {rig.value!r}"]
    else:
        lines += ["[lens]", f"field_of_view_deg = {rig.value!r}"]
        lines += [f'field_of_view_across = "{rig.kind}"']
    lines += ["[pose]", "uncertainty_deg = 0.3"]
    lines += ["[image]", f"width_px = {width_px}", f"height_px = {height_px}"]
    return "\n".join(lines) + "\n"


def _at_width(rig: Rig, width_px: int) -> float:
    """Pitch or scale of a picture reduced from the usual width: its pixels are larger."""
    return rig.value if width_px == _USUAL_WIDTH_PX else rig.value * _USUAL_WIDTH_PX / width_px
