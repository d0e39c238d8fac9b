"""From photos of the calibration board to lens, height and tilt, with their uncertainty.

All poses and the lens are fitted together by least squares (Levenberg-Marquardt), with
the projection of `weedset.lens`, so that what is fitted is what tiling uses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from weedset.corners import RULER_MM, SQUARE_MM, SeenBoard, board_points_mm
from weedset.errors import CameraError
from weedset.lens import Floats, bend, unbend
from weedset.records import Distortion

#: Below these a lens cannot be told from its photos. Common practice, no source.
LEAST_PHOTOS = 6
_LEAST_ANGLE_DEG = 15.0

#: Angles of view, across the longer side, from which the fit is started.
_STARTS_DEG = (40.0, 65.0, 90.0, 125.0, 160.0)

_STEPS = 60
_SETTLED = 1e-10

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
    problem = _Problem(everything, fisheye, square_mm)
    best = _best_start(problem)
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
    pose = None
    if ground:
        height, pitch, roll = _ground_pose(problem, values, ground)
        # The height follows the ruler; how well that was read comes on top.
        read_mm = height * _READING_MM / RULER_MM
        pose = FittedPose(
            height, pitch, roll, math.hypot(sigma[3], read_mm), float(max(sigma[4], sigma[5]))
        )
    each = problem.errors_px(values)
    names = [board.path.name for board in everything]
    return Fit(
        fitted,
        pose,
        error,
        tuple(zip(names, each, strict=True)),
        _covered(everything),
        angle,
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


class _Problem:
    """The least squares of one set of photos: parameters are lens first, then poses."""

    def __init__(self, boards: Sequence[SeenBoard], fisheye: bool, square_mm: float) -> None:
        self.boards = boards
        self.fisheye = fisheye
        self.square_mm = square_mm
        self.points = board_points_mm(square_mm)
        self.lens_values = 6 if fisheye else 7

    def lens(self, values: Floats) -> Distortion:
        k = [float(value) for value in values[3 : self.lens_values]]
        if self.fisheye:
            return Distortion("fisheye", (*k, 0.0))
        return Distortion("brown-conrady", (*k, 0.0))

    def pose(self, values: Floats, photo: int) -> Floats:
        first = self.lens_values + 6 * photo
        return np.asarray(values[first : first + 6])

    def project(self, values: Floats, photo: int) -> Floats:
        """Return the pixels (54, 2) of the board's corners in one photo."""
        pose = self.pose(values, photo)
        turn, _ = cv2.Rodrigues(pose[:3])
        rays = self.points @ np.asarray(turn).T + pose[3:]
        return np.asarray(bend(self.lens(values), rays) * values[0] + values[1:3])

    def misses(self, values: Floats) -> Floats:
        """Return (photos, 108) differences in px; NaN where a corner is not seen."""
        return np.stack(
            [
                (self.project(values, photo) - board.pixels).ravel()
                for photo, board in enumerate(self.boards)
            ]
        )

    def errors_px(self, values: Floats) -> list[float]:
        """Return the root mean square error of each photo, over both directions."""
        return [float(e) for e in np.sqrt(2 * (self.misses(values) ** 2).mean(axis=1))]

    def slopes(self, values: Floats) -> Floats:
        """Return the slopes of all differences, (photos * 108, parameters)."""
        count, each = len(self.boards), 2 * len(self.points)
        slopes = np.zeros((count, each, len(values)))
        for index in range(self.lens_values):
            step = 1e-6 * max(1.0, abs(values[index]))
            ahead = values.copy()
            ahead[index] += step
            slopes[:, :, index] = (self.misses(ahead) - self.misses(values)) / step
        for photo in range(count):
            here = self.project(values, photo).ravel()
            for part in range(6):
                index = self.lens_values + 6 * photo + part
                step = 1e-6 * max(1.0, abs(values[index]))
                ahead = values.copy()
                ahead[index] += step
                slopes[photo, :, index] = (self.project(ahead, photo).ravel() - here) / step
        return slopes.reshape(-1, len(values))

    def start(self, angle_deg: float) -> Floats | None:
        """Return parameters to start from, given the angle across the longer side."""
        board = self.boards[0]
        longer = max(board.width_px, board.height_px)
        half = math.radians(angle_deg / 2)
        focal = longer / 2 / (half if self.fisheye else math.tan(half))
        values = np.zeros(self.lens_values + 6 * len(self.boards))
        values[:3] = focal, (board.width_px - 1) / 2, (board.height_px - 1) / 2
        for photo, seen in enumerate(self.boards):
            rays = unbend(self.lens(values), (seen.pixels - values[1:3]) / focal)
            if np.isnan(rays).any() or (rays[:, 2] < 0.05).any():
                return None
            plane = rays[:, :2] / rays[:, 2:]
            found, turn, shift = cv2.solvePnP(
                self.points, plane, np.eye(3), np.zeros(4), flags=cv2.SOLVEPNP_IPPE
            )
            if not found:
                return None
            self.pose(values, photo)[:] = np.concatenate([turn.ravel(), shift.ravel()])
        return values


def _best_start(problem: _Problem) -> tuple[Floats, float] | None:
    fits = []
    for angle_deg in _STARTS_DEG:
        if (angle_deg > 130 and not problem.fisheye) or (start := problem.start(angle_deg)) is None:
            continue
        fits.append(_fit(problem, start))
    fits = [fit for fit in fits if math.isfinite(fit[1])]
    return min(fits, key=lambda fit: fit[1], default=None)


def _fit(problem: _Problem, values: Floats) -> tuple[Floats, float]:
    """Improve `values` as far as it goes; return them and the root mean square error in px."""
    damping, misses = 1e-3, problem.misses(values).ravel()
    cost = float(misses @ misses)
    for _ in range(_STEPS):
        if not math.isfinite(cost):
            break
        slopes = problem.slopes(values)
        normal, pull = slopes.T @ slopes, slopes.T @ misses
        better = False
        while damping < 1e9 and not better:
            damped = normal + damping * np.diag(np.diag(normal) + 1e-12)
            step = np.linalg.lstsq(damped, pull, rcond=None)[0]
            tried = values - step
            new = problem.misses(tried).ravel() if tried[0] > 0 else np.full(1, np.inf)
            new_cost = float(new @ new)
            better = new_cost < cost
            damping = damping / 5 if better else damping * 4
        if not better:
            break
        gain = cost - new_cost
        values, misses, cost = tried, new, new_cost
        if gain < _SETTLED * cost:
            break
    return values, math.sqrt(2 * cost / misses.size)


def _ground_pose(problem: _Problem, values: Floats, ground: Sequence[int]) -> Floats:
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
    problem: _Problem, values: Floats, ground: Sequence[int], lens_photos: int
) -> Floats:
    """Return one sigma of focal length, centre x and y, height, pitch and roll."""

    def told(these: _Problem, fitted: Floats, on_ground: Sequence[int]) -> Floats:
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
        fewer = _Problem(rest, problem.fisheye, problem.square_mm)
        first = problem.lens_values + 6 * photo
        start = np.concatenate([values[:first], values[first + 6 :]])
        fitted, _ = _fit(fewer, start)
        left_out.append(told(fewer, fitted, [i - 1 for i in ground]))
    if not left_out:
        return np.asarray(of_noise)
    count = len(left_out)
    around = np.array(left_out) - np.mean(left_out, axis=0)
    jackknife = np.sqrt((count - 1) / count * (around**2).sum(axis=0))
    return np.asarray(np.maximum(of_noise, jackknife))


def _angle_deg(problem: _Problem, values: Floats) -> float:
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
