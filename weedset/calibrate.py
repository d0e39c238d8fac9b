"""From photos of the calibration board to lens, height and tilt, with their uncertainty.

The fit itself is `weedset.boardfit`; here is what photos it takes, what it says of the camera,
and how sure that is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from weedset.boardfit import BoardProblem, best_fit, improved
from weedset.corners import RULER_MM, SQUARE_MM, SeenBoard
from weedset.errors import CameraError
from weedset.lens import Floats
from weedset.records import Distortion

#: Below these a lens cannot be told from its photos. Common practice, no source.
LEAST_PHOTOS = 6
_LEAST_ANGLE_DEG = 15.0

#: How well a ruler on paper can be read, one sigma. Common practice, no source.
_READING_MM = 0.3


@dataclass(frozen=True, slots=True)
class FittedLens:
    """A lens as fitted, in px of the stored picture; uncertainties are one sigma."""

    width_px: int
    height_px: int
    focal_px: float
    centre_x_px: float
    centre_y_px: float
    distortion: Distortion
    focal_uncertainty_px: float
    centre_uncertainty_px: float


@dataclass(frozen=True, slots=True)
class FittedPose:
    """Height and tilt of the camera over a board that lay flat on the ground."""

    height_mm: float
    pitch_deg: float
    roll_deg: float
    height_uncertainty_mm: float
    tilt_uncertainty_deg: float


@dataclass(frozen=True, slots=True)
class Fit:
    """What came of calibration photos.

    `error_px` is the root mean square of all reprojection errors, `errors_px` that of each
    photo. `covered` is the share of the picture in which corners were seen, and
    `angle_deg` how far the board was turned between photos.
    """

    lens: FittedLens
    pose: FittedPose | None
    error_px: float
    errors_px: tuple[tuple[str, float], ...]
    covered: float
    angle_deg: float


def fit_camera(
    boards: Sequence[SeenBoard],
    on_ground: Sequence[SeenBoard],
    fisheye: bool = False,
    ruler_mm: float = RULER_MM,
) -> Fit:
    """Fit a lens to photos of the board, and a pose to those where it lay on the ground.

    `ruler_mm` is what the printed ruler measures in truth. Photos on the ground count for
    the lens too. The uncertainty of each number is that of leaving out one photo after the
    other (jackknife), or that of the noise of corners, whichever is larger.

    Raises CameraError where the photos are too few, too alike, or of several sizes.
    """
    everything = [*boards, *on_ground]
    _check_photos(everything)
    square_mm = SQUARE_MM * ruler_mm / RULER_MM
    problem = BoardProblem(everything, fisheye, square_mm)
    best = best_fit(problem)
    if best is None:
        fix = "leave out photos where the board is bent or blurred; try --fisheye for wide lenses"
        raise CameraError("no lens explains these photos", where="calibration", fix=fix)
    values, error = best
    angle = _angle_deg(problem, values)
    if angle < _LEAST_ANGLE_DEG:
        raise CameraError(
            f"the photos are too alike: the board is never turned by more than {angle:.0f} degrees",
            where="calibration",
            fix="hold it tilted to the left, the right, to and fro, by some 30 degrees",
        )
    ground = list(range(len(boards), len(everything)))
    sigma = _uncertainty(problem, values, ground, len(boards))
    lens = problem.lens(values)
    fitted = FittedLens(
        everything[0].width_px,
        everything[0].height_px,
        float(values[0]),
        float(values[1]),
        float(values[2]),
        lens,
        focal_uncertainty_px=float(sigma[0]),
        centre_uncertainty_px=float(max(sigma[1], sigma[2])),
    )
    each = problem.errors_px(values)
    names = [board.path.name for board in everything]
    return Fit(
        fitted,
        _fitted_pose(problem, values, ground, sigma) if ground else None,
        error,
        tuple(zip(names, each, strict=True)),
        _covered(everything),
        angle,
    )


def _fitted_pose(
    problem: BoardProblem, values: Floats, ground: Sequence[int], sigma: Floats
) -> FittedPose:
    """Return the pose over the ground; `sigma` is what `_uncertainty` says."""
    height, pitch, roll = _ground_pose(problem, values, ground)
    # The height follows the ruler; how well that was read comes on top.
    read_mm = height * _READING_MM / RULER_MM
    return FittedPose(
        height, pitch, roll, math.hypot(sigma[3], read_mm), float(max(sigma[4], sigma[5]))
    )


def _check_photos(boards: Sequence[SeenBoard]) -> None:
    if len(boards) < LEAST_PHOTOS:
        raise CameraError(
            f"there are {len(boards)} photos of the board, too few",
            where="calibration",
            fix=f"take at least {LEAST_PHOTOS}, better 12, with the board turned and moved about",
        )
    sizes = {(board.width_px, board.height_px): board.path for board in boards}
    if len(sizes) > 1:
        words = ", ".join(f"{w} x {h} px ({path.name})" for (w, h), path in sizes.items())
        raise CameraError(
            f"the photos are of several sizes: {words}",
            where="calibration",
            fix="use photos of one camera mode, as the camera wrote them",
        )


def _ground_pose(problem: BoardProblem, values: Floats, ground: Sequence[int]) -> Floats:
    """Return height, pitch and roll over the ground, the mean of all photos on it."""
    poses = []
    for photo in ground:
        pose = problem.pose(values, photo)
        turn, _ = cv2.Rodrigues(pose[:3])
        normal, shift = np.asarray(turn)[:, 2], pose[3:]
        if normal @ shift < 0:
            normal = -normal
        # `normal` points straight down in camera axes: the last column of view.rotation.
        poses.append(
            (
                float(normal @ shift),
                math.degrees(math.asin(max(-1.0, min(1.0, float(normal[1]))))),
                math.degrees(math.atan2(-normal[0], normal[2])),
            )
        )
    return np.asarray(np.mean(poses, axis=0))


def _uncertainty(
    problem: BoardProblem, values: Floats, ground: Sequence[int], lens_photos: int
) -> Floats:
    """Return one sigma of focal length, centre x and y, height, pitch and roll."""

    def told(these: BoardProblem, fitted: Floats, on_ground: Sequence[int]) -> Floats:
        pose = _ground_pose(these, fitted, on_ground) if on_ground else np.zeros(3)
        return np.concatenate([fitted[:3], pose])

    whole = told(problem, values, ground)
    slopes = problem.slopes(values)
    misses = problem.misses(values).ravel()
    spread = misses @ misses / max(1, misses.size - len(values))
    covariance = spread * np.linalg.pinv(slopes.T @ slopes)
    by_value = []
    for index in range(len(values)):
        step = 1e-5 * max(1.0, abs(values[index]))
        ahead = values.copy()
        ahead[index] += step
        by_value.append((told(problem, ahead, ground) - whole) / step)
    gains = np.array(by_value).T
    of_noise = np.sqrt(np.einsum("ij,jk,ik->i", gains, covariance, gains))
    left_out = []
    for photo in range(lens_photos):
        rest = [board for i, board in enumerate(problem.boards) if i != photo]
        fewer = BoardProblem(rest, problem.fisheye, problem.square_mm)
        first = problem.lens_values + 6 * photo
        start = np.concatenate([values[:first], values[first + 6 :]])
        fitted, _ = improved(fewer, start)
        left_out.append(told(fewer, fitted, [i - 1 for i in ground]))
    if not left_out:
        return np.asarray(of_noise)
    count = len(left_out)
    around = np.array(left_out) - np.mean(left_out, axis=0)
    jackknife = np.sqrt((count - 1) / count * (around**2).sum(axis=0))
    return np.asarray(np.maximum(of_noise, jackknife))


def _angle_deg(problem: BoardProblem, values: Floats) -> float:
    """Return the largest angle between the boards of two photos."""
    normals = []
    for photo in range(len(problem.boards)):
        pose = problem.pose(values, photo)
        normal = np.asarray(cv2.Rodrigues(pose[:3])[0])[:, 2]
        normals.append(normal if normal @ pose[3:] > 0 else -normal)
    cosines = np.array(normals) @ np.array(normals).T
    return math.degrees(math.acos(float(np.clip(cosines.min(), -1, 1))))


def _covered(boards: Sequence[SeenBoard], bins: int = 6) -> float:
    """Return the share of the picture, in 6 x 6 parts, in which a corner was seen."""
    pixels = np.concatenate([board.pixels for board in boards])
    size = np.array([boards[0].width_px, boards[0].height_px])
    parts = np.clip((pixels / size * bins).astype(int), 0, bins - 1)
    return len({(int(x), int(y)) for x, y in parts}) / bins**2
