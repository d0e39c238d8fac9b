"""How a machine moved between two frames, told from the ground that both show.

Phase correlation (Kuglin & Hines 1975, "The phase correlation image alignment method", Proc.
Int. Conf. Cybernetics and Society, 163-165): the cross-power spectrum of two pictures, kept to
its phases, is that of a single peak at their shift. First over the whole frame, then over
blocks of what both show. The blocks' shifts make one rigid motion by least squares (Kabsch
1976, in the plane), and how far they disagree is its error. A shadow or dirt that travels with
the machine lies in a few blocks, which then do not fit and are put aside.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from weedset.board.ground import Ground
from weedset.board.targets import Mounting, to_machine_mm
from weedset.lens import Floats

#: How far a peak must stand out of what mere noise would give, in its standard deviations.
#: Of tens of thousands of pixels the highest of pure noise lies at about 4.5.
_LEAST_PEAK = 7.0
_LEAST_BLOCK_PEAK = 5.5

#: Both frames must show this share of the ground, each way.
_LEAST_OVERLAP = 0.5

#: Blocks that must agree on one motion, and the share of all blocks that they must be.
_LEAST_BLOCKS = 5
_LEAST_SHARE = 0.5

#: Correlation of grey that matching blocks must have. Phases alone would match the pattern that
#: a sensor adds to each of its pictures, and so find that the machine stands still.
_LEAST_ALIKE = 0.3

#: Blocks agree when they lie this near to the common motion, in px.
_AGREE_PX = 1.0

#: No estimate is believed better than this, in px: plants stand up, leaves move.
_FLOOR_PX = 0.1

_BLOCKS_PX = (64, 32)

#: A block's shift comes out too small by a twelfth or so, as its neighbours do not follow; up
#: to this, in px, that does not matter.
_NEAR_PX = 1.0

#: Spread of the peak, in px: passes what a picture holds and damps what is mostly noise.
_PEAK_PX = 0.8


@dataclass(frozen=True, slots=True)
class Motion:
    """From one frame to a later one, in the machine's frame of the earlier one.

    `turn_deg` is counterclockwise seen from above. `sigma_mm` and `sigma_deg` are one sigma
    of what differs by chance, `scale_share` (one sigma) that of the scale, which is off by the
    same share in every motion. `blocks` agreed on it, of `of_blocks`.
    """

    forward_mm: float
    left_mm: float
    turn_deg: float
    sigma_mm: float
    sigma_deg: float
    scale_share: float
    blocks: int
    of_blocks: int


def motion_between(before: Ground, now: Ground, mounting: Mounting) -> Motion | str:
    """Return the motion between two frames, or why it cannot be told."""
    if before.grid != now.grid:
        return "the frames show ground of different sizes"
    shape = now.grey.shape
    (down, right), peak = _shift(_seen_grey(before), _seen_grey(now))
    if peak < _LEAST_PEAK:
        return f"the frames do not match (peak {peak:.1f}, least {_LEAST_PEAK:g})"
    moved = (round(down), round(right))
    if any(size - abs(by) < _LEAST_OVERLAP * size for size, by in zip(shape, moved, strict=True)):
        return "the frames show too little of the same ground"
    then, later = _blocks(before, now, lambda at: np.zeros_like(at) + moved)
    if len(then) >= _LEAST_BLOCKS:
        # Where the frame turned, blocks moved apart; once more, each from where it went.
        turn, by, _ = _agreed(then, later)
        went = (then - by) @ _turned(turn) - then
        if np.abs(went - moved).max() > _NEAR_PX:
            then, later = _blocks(before, now, lambda at: (at - by) @ _turned(turn) - at)
    if len(then) < _LEAST_BLOCKS:
        return f"too little detail: only {len(then)} parts of the frame match"
    _, _, agree = _agreed(then, later)
    if agree.sum() < max(_LEAST_BLOCKS, _LEAST_SHARE * len(then)):
        return f"the parts of the frame disagree: {agree.sum()} of {len(then)} fit one motion"
    if (alike := _likeness(before, now, then[agree], later[agree])) < _LEAST_ALIKE:
        return f"the frames look too unlike where they match ({alike:.2f}, least {_LEAST_ALIKE:g})"
    here, there = (_machine_mm(at[agree], now, mounting) for at in (then, later))
    return _motion(here, there, now, len(then))


def _agreed(then: Floats, later: Floats) -> tuple[float, Floats, NDArray[np.bool_]]:
    """Fit then = turned(later) + moved over points (n, 2) in px, and say which agree (n,)."""
    agree = np.ones(len(then), bool)
    turn, moved = 0.0, np.median(then - later, axis=0)
    for _ in range(5):
        off = np.hypot(*(later @ _turned(turn).T + moved - then).T)
        agree = off <= max(_AGREE_PX, 2 * float(np.median(off)))
        turn, moved = _fit(then[agree], later[agree])
    off = np.hypot(*(later @ _turned(turn).T + moved - then).T)
    return turn, moved, np.asarray(off <= _AGREE_PX)


def _motion(then: Floats, later: Floats, ground: Ground, of_blocks: int) -> Motion:
    """Fit a motion to points (n, 2) in the machine's frame, with its errors."""
    turn, moved = _fit(then, later)
    off_mm = np.hypot(*(later @ _turned(turn).T + moved - then).T)
    count, middle = len(then), later.mean(axis=0)
    # Blocks overlap, and a plant biases its neighbours alike: as if a quarter had been asked.
    rms_mm = math.hypot(float(np.sqrt(np.mean(off_mm**2))), _FLOOR_PX * ground.px_mm)
    at_middle_mm = rms_mm / math.sqrt(count / 4)
    spread_mm = float(np.sqrt(((later - middle) ** 2).sum(axis=1).mean()))
    sigma_rad = at_middle_mm / max(spread_mm, ground.px_mm)
    return Motion(
        forward_mm=float(moved[0]),
        left_mm=float(moved[1]),
        turn_deg=math.degrees(turn),
        sigma_mm=math.hypot(at_middle_mm, sigma_rad * float(np.hypot(*middle))),
        sigma_deg=math.degrees(sigma_rad),
        scale_share=ground.scale_share,
        blocks=count,
        of_blocks=of_blocks,
    )


def _turned(turn: float) -> Floats:
    cos, sin = math.cos(turn), math.sin(turn)
    return np.array([[cos, -sin], [sin, cos]])


def _fit(then: Floats, later: Floats) -> tuple[float, Floats]:
    """Return turn (radians) and translation (2,) by least squares."""
    a, b = then - then.mean(axis=0), later - later.mean(axis=0)
    across = float((b[:, 0] * a[:, 1] - b[:, 1] * a[:, 0]).sum())
    turn = math.atan2(across, float((a * b).sum()))
    return turn, then.mean(axis=0) - _turned(turn) @ later.mean(axis=0)


def _machine_mm(places: Floats, ground: Ground, mounting: Mounting) -> Floats:
    """Return where pixels (n, 2), down and right, lie in the machine's frame, (n, 2)."""
    grid = ground.grid
    down_mm, right_mm = ((places + 0.5) * ground.px_mm).T
    middle, right, down = (
        np.array(to_machine_mm(*at, mounting)) for at in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))
    )
    across = (grid.x_min_mm + right_mm)[:, None] * (right - middle)
    return np.asarray(middle + across + (grid.y_min_mm + down_mm)[:, None] * (down - middle))


def _seen_grey(ground: Ground) -> NDArray[np.float32]:
    """Return the grey picture with the mean in cells that are not seen."""
    if ground.seen.all():
        return ground.grey
    seen = np.kron(ground.seen, np.ones((ground.cell_px, ground.cell_px), bool))
    return np.where(seen, ground.grey, ground.grey[seen].mean()).astype(np.float32)


def _blocks(
    before: Ground, now: Ground, shift_of: Callable[[Floats], Floats]
) -> tuple[Floats, Floats]:
    """Return where blocks have their middle in the earlier frame and in the later, (n, 2) px.

    `shift_of` is about how far a place (2,) moves. Only blocks of which both frames show all
    are asked, and only those with a clear answer returned.
    """
    height, width = now.grey.shape
    middle = np.array([(height - 1) / 2, (width - 1) / 2])
    shared = [
        size - abs(float(by)) for size, by in zip((height, width), shift_of(middle), strict=True)
    ]
    side = next((s for s in _BLOCKS_PX if min(shared) >= 3 * s), _BLOCKS_PX[-1])
    then, later = [], []
    for row in _starts(height, side):
        for col in _starts(width, side):
            at = np.array([row, col]) + (side - 1) / 2
            down, right = np.rint(shift_of(at)).astype(int).tolist()
            there = (row + down, col + right)
            if _all_seen(before, (row, col), side) and _all_seen(now, there, side):
                pair = (_block(before, (row, col), side), _block(now, there, side))
                shift, peak = _shift(*pair)
                if peak >= _LEAST_BLOCK_PEAK and max(map(abs, shift)) <= side / 4:
                    then.append(at)
                    later.append(at + np.array([down + shift[0], right + shift[1]]))
    return np.array(then).reshape(-1, 2), np.array(later).reshape(-1, 2)


def _likeness(before: Ground, now: Ground, then: Floats, later: Floats) -> float:
    """Return the median correlation of grey around places of both frames, (n, 2) each in px."""
    half = _BLOCKS_PX[-1] // 2
    found = []
    for at, there in zip(np.rint(then).astype(int), np.rint(later).astype(int), strict=True):
        pair = [
            grey[max(0, row - half) : row + half, max(0, col - half) : col + half]
            for grey, (row, col) in ((before.grey, at), (now.grey, there))
        ]
        if pair[0].shape == pair[1].shape:
            one, two = (grey - grey.mean() for grey in pair)
            found.append(
                float((one * two).sum() / (np.linalg.norm(one) * np.linalg.norm(two) + 1e-9))
            )
    return float(np.median(found)) if found else 0.0


def _starts(length: int, side: int) -> list[int]:
    """Return where blocks begin that cover a length evenly, a quarter of each shared."""
    count = max(1, round((length - side) / (0.75 * side)) + 1)
    return [round(at) for at in np.linspace(0, length - side, count)]


def _block(ground: Ground, at: tuple[int, int], side: int) -> NDArray[np.float32]:
    return ground.grey[at[0] : at[0] + side, at[1] : at[1] + side]


def _all_seen(ground: Ground, at: tuple[int, int], side: int) -> bool:
    """Say whether a block lies in the picture, and in cells that are seen."""
    height, width = ground.grey.shape
    if not (0 <= at[0] <= height - side and 0 <= at[1] <= width - side):
        return False
    first = (at[0] // ground.cell_px, at[1] // ground.cell_px)
    last = ((at[0] + side - 1) // ground.cell_px, (at[1] + side - 1) // ground.cell_px)
    return bool(ground.seen[first[0] : last[0] + 1, first[1] : last[1] + 1].all())


def _shift(
    before: NDArray[np.float32], now: NDArray[np.float32]
) -> tuple[tuple[float, float], float]:
    """Return by how much a picture moved, down and right in px, and how far the peak stands out.

    To a part of a pixel by the Gaussian through the peak and its neighbours: the low-pass by
    which the phases are weighted makes the peak one.
    """
    taper, damped, noise = _weights(before.shape[0], before.shape[1])
    first, second = (np.fft.rfft2((grey - grey.mean()) * taper) for grey in (before, now))
    cross = second * np.conj(first)
    cross /= np.abs(cross) + 1e-9
    peaks = np.fft.irfft2(cross * damped, before.shape)
    row, col = np.unravel_index(int(np.argmax(peaks)), peaks.shape)
    height = float(peaks[row, col])
    return (
        _middle(peaks[:, col], int(row)),
        _middle(peaks[row], int(col)),
    ), height / noise


def _middle(line: Floats, at: int) -> float:
    """Return where a Gaussian through a peak and its neighbours is highest; wraps round."""
    size = len(line)
    least = 1e-3 * float(line[at])
    if least <= 0:
        return 0.0
    before, top, after = (math.log(max(float(line[(at + by) % size]), least)) for by in (-1, 0, 1))
    bend = before - 2 * top + after
    part = 0.0 if bend >= 0 else max(-0.5, min(0.5, (before - after) / (2 * bend)))
    whole = at if at <= size // 2 else at - size
    return whole + part


@lru_cache(maxsize=8)
def _weights(height: int, width: int) -> tuple[NDArray[np.float32], Floats, float]:
    """Return a taper (h, w), a low-pass over `rfft2`, and the noise of a peak without a match."""
    taper = np.outer(_taper(height), _taper(width)).astype(np.float32)
    down, right = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
    damped = np.exp(-2 * (math.pi * _PEAK_PX) ** 2 * (down**2 + right**2))
    damped[0, 0] = 0.0
    # Random phases: a sum of as many cosines, each of variance 1/2, mirrored ones alike.
    twice = np.full(right.shape, 2.0)
    twice[0, 0] = 1.0
    if width % 2 == 0:
        twice[0, -1] = 1.0
    noise = math.sqrt(float((twice * damped**2).sum())) / (height * width)
    return taper, damped, noise


def _taper(size: int) -> Floats:
    """Return a window that is flat but for a cosine over an eighth at each end."""
    edge = max(1, size // 8)
    rise = (1 - np.cos(np.pi * (np.arange(edge) + 0.5) / edge)) / 2
    return np.concatenate([rise, np.ones(size - 2 * edge), rise[::-1]])
