"""Is this board fit? Times and memory of the very work it is to do, and what follows from them."""

from __future__ import annotations

import platform
import re
import resource
import statistics
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from time import perf_counter

import numpy as np
from PIL import Image

from weedset import __version__
from weedset.board.classify import ClassifiedPhoto
from weedset.board.eye import Eye
from weedset.board.machine import Machine, clocks_mhz, hottest_c, read_machine
from weedset.board.speeds import Expected, Work, expected_on
from weedset.records import GroundGrid

#: Photos follow one another with this share of overlap. Common practice, no source.
_OVERLAP = 0.2

#: So many photos at least: the first and the last third tell whether the board slows down.
_LEAST_RUNS = 6

#: From where on small boards slow themselves down. Common practice, no source.
_HOT_C = 75.0

#: How much longer the last photos may take than the first. Common practice, no source.
_SLOWER = 1.15

_PACKAGES = ("numpy", "pillow", "onnxruntime")

#: How much of a made-up picture is drawn at a time: whole grains of each size.
_STRIP_PX = 64

#: The picture when the profile does not say: 5 megapixels.
_SIZE_PX = (2592, 1944)


@dataclass(frozen=True, slots=True)
class Fitness:
    """What a board can do with one model and one camera.

    `parts_ms` and `photo_ms` are medians; `most_mm_per_s` is the highest speed, towards the
    top edge of the photo, at which no ground goes unseen with a fifth of overlap. `peak_mb`
    is of the whole process. `warnings` are for people; not `fit` means: do not use it so.
    """

    photos: int
    cells: int
    parts_ms: dict[str, float]
    photo_ms: float
    photos_per_s: float
    most_mm_per_s: float
    peak_mb: float
    hottest_c: float | None
    fit: bool
    warnings: tuple[str, ...]
    width_px: int
    height_px: int
    made_up: bool
    threads: int
    model_digest: str
    model_mmac: float | None
    machine: Machine
    versions: dict[str, str]
    expected: Expected | None


def check_board(eye: Eye, photo: Path | None, seconds: float, system: Path = Path("/")) -> Fitness:
    """Decide on one photo again and again for some time, at least 6 times.

    `photo` should be one of the camera's own: a made-up one is used without it. `system` is
    where to look for temperatures and clocks. Raises PhotoError or CameraError where the
    photo cannot be used.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = photo or _made_up(eye, Path(folder) / "made-up.jpg")
        seen = eye.photo(path)  # the first one pays for what comes once
        parts_ms, totals_ms = _timed(eye, path, seconds)
    photo_ms = statistics.median(totals_ms)
    machine = read_machine(system)
    hot_c = hottest_c(system)
    late_ms = eye.guards.stale_after_ms
    late = late_ms is not None and photo_ms > late_ms
    warnings = [
        *bits_warning(machine.bits),
        *heat_warnings(totals_ms, hot_c, clocks_mhz(system)),
    ]
    if late:
        warnings.append(f"decisions come too late: {photo_ms:.0f} ms a photo, {late_ms:g} allowed")
    return Fitness(
        photos=len(totals_ms),
        cells=len(seen.cells),
        parts_ms={name: statistics.median(times) for name, times in parts_ms.items()},
        photo_ms=photo_ms,
        photos_per_s=1000 / photo_ms,
        most_mm_per_s=highest_speed_mm_per_s(seen.grid, photo_ms),
        peak_mb=_peak_mb(),
        hottest_c=hot_c,
        fit=not late,
        warnings=tuple(warnings),
        width_px=seen.width_px,
        height_px=seen.height_px,
        made_up=photo is None,
        threads=eye.model.threads,
        model_digest=eye.model.digest,
        model_mmac=eye.model.card.mmac,
        machine=machine,
        versions={
            "python": platform.python_version(),
            "weedset": __version__,
            **{name: metadata.version(name) for name in _PACKAGES},
        },
        expected=_expected(eye, seen, machine),
    )


def _peak_mb() -> float:
    """Return the most memory that this process has held.

    Not as getrusage(2) tells it, which counts what the starting process held, too (VmHWM in
    proc(5) does not), unless nobody else does. Both count in kB of 1024 bytes.
    """
    try:
        status = Path("/proc/self/status").read_text("utf-8", "replace")
    except OSError:
        status = ""
    found = re.search(r"^VmHWM:\s+(\d+) kB$", status, re.MULTILINE)
    peak_kb = int(found[1]) if found else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak_kb * 1024 / 1e6


def _timed(eye: Eye, path: Path, seconds: float) -> tuple[dict[str, list[float]], list[float]]:
    """Decide again and again; return how many ms each part of it took, and the whole.

    Nothing else is kept: it would be told as memory that the work takes.
    """
    parts_ms: dict[str, list[float]] = {}
    totals_ms: list[float] = []
    begin = perf_counter()
    while len(totals_ms) < _LEAST_RUNS or perf_counter() - begin < seconds:
        start = perf_counter()
        for name, part_ms in eye.photo(path).timings_ms.items():
            parts_ms.setdefault(name, []).append(part_ms)
        totals_ms.append((perf_counter() - start) * 1000)
    return parts_ms, totals_ms


def _expected(eye: Eye, seen: ClassifiedPhoto, machine: Machine) -> Expected | None:
    mmac = eye.model.card.mmac
    if mmac is None:
        return None
    asked = sum(bool(cell.probabilities) for cell in seen.cells)
    work = Work(asked, mmac, seen.width_px * seen.height_px / 1e6)
    return expected_on(machine, eye.model.threads, work)


def highest_speed_mm_per_s(grid: GroundGrid, photo_ms: float) -> float:
    """Return how fast to go so that the ground of one photo reaches that of the next."""
    return (1 - _OVERLAP) * grid.rows * grid.cell_mm / (photo_ms / 1000)


def bits_warning(bits: int) -> list[str]:
    """Warn of a Python that is not of 64 bits."""
    if bits >= 64:
        return []
    return [f"this is a {bits}-bit system: install the 64-bit one, onnxruntime has no other"]


def heat_warnings(
    totals_ms: Sequence[float], hottest_c: float | None, clocks_mhz: tuple[float, float] | None
) -> list[str]:
    """Warn of heat, and of a board that slows down; `clocks_mhz` is the present and the most."""
    found = []
    third = len(totals_ms) // 3
    if third:
        first = statistics.median(totals_ms[:third])
        last = statistics.median(totals_ms[-third:])
        if last > _SLOWER * first:
            found.append(
                f"it slowed down from {first:.0f} to {last:.0f} ms a photo: too hot, too weak a "
                "power supply, or other programs at work"
            )
    if hottest_c is not None and hottest_c >= _HOT_C:
        found.append(f"it is {hottest_c:.0f} degrees C hot: give it a heat sink and shade")
    if clocks_mhz is not None and clocks_mhz[0] < 0.9 * clocks_mhz[1]:
        found.append(
            f"its clock runs at {clocks_mhz[0]:.0f} of {clocks_mhz[1]:.0f} MHz under load: see "
            "to cooling and power supply"
        )
    return found


def fitness_lines(found: Fitness) -> list[str]:
    """Return what was found as text for people."""
    parts = ", ".join(f"{name} {ms:.1f}" for name, ms in found.parts_ms.items())
    heat = "" if found.hottest_c is None else f", {found.hottest_c:.0f} degrees C"
    return [
        f"{found.photo_ms:.1f} ms a photo of {found.cells} cells, over {found.photos} photos",
        f"  of which {parts} ms",
        f"{found.photos_per_s:.2f} photos per second; at most {found.most_mm_per_s:.0f} mm per "
        f"second of travel with {_OVERLAP:.0%} of overlap",
        f"{found.peak_mb:.0f} MB of memory at most{heat}",
        _foretold(found),
        *(f"warning: {text}" for text in found.warnings),
        "This board is fit." if found.fit else "This board is NOT fit for this model and camera.",
    ]


def _foretold(found: Fitness) -> str:
    machine, expected = found.machine, found.expected
    clock = "" if machine.clock_mhz is None else f", {machine.clock_mhz:.0f} MHz"
    board = f"{machine.cores}x {machine.processor}{clock}, {found.threads} at work"
    if found.model_mmac is None:
        return f"{board}: the model's card does not say how much work it is, so nothing to expect"
    if expected is None:
        return f"{board}: no figures are published by which to expect a time"
    return (
        f"{board}: to be expected are about {expected.about_ms:.0f} ms a photo, from "
        f"{expected.least_ms:.0f} to {expected.most_ms:.0f}; measured is "
        f"{found.photo_ms / expected.about_ms:.1f} times that"
    )


def _made_up(eye: Eye, path: Path) -> Path:
    stated = eye.profile.width_px, eye.profile.height_px
    width_px, height_px = (one or other for one, other in zip(stated, _SIZE_PX, strict=True))
    made_up_photo(width_px, height_px, path)
    return path


def made_up_photo(width_px: int, height_px: int, path: Path) -> None:
    """Write a photo that takes a decoder as long as one of soil: grain at several sizes."""
    rng = np.random.default_rng(0)
    grains = []
    for grain_px, strength in ((2, 12), (8, 25), (64, 30)):
        size = (height_px // grain_px + 1, width_px // grain_px + 1)
        grains.append((grain_px, rng.integers(-strength, strength + 1, size, dtype=np.int16)))
    picture = Image.new("RGB", (width_px, height_px))
    # Strip by strip: drawing must not take more memory than deciding, which is measured.
    for top in range(0, height_px, _STRIP_PX):
        ground = np.zeros((min(_STRIP_PX, height_px - top), width_px), np.int16)
        for grain_px, grain in grains:
            part = grain[top // grain_px : (top + _STRIP_PX) // grain_px]
            spread = part.repeat(grain_px, axis=0).repeat(grain_px, axis=1)
            ground += spread[: len(ground), :width_px]
        channels = [(ground + np.int16(level)).clip(0, 255) for level in (110, 90, 70)]
        strip = np.stack(channels, axis=-1).astype(np.uint8)
        picture.paste(Image.fromarray(strip), (0, top))
    picture.save(path, quality=90)
