"""The least squares of photos of the board: one lens, and a pose for each photo.

All are fitted together (Levenberg-Marquardt), with the projection of `weedset.lens`, so that
what is fitted is what tiling uses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from weedset.corners import SeenBoard, board_points_mm
from weedset.lens import Floats, bend, unbend
from weedset.records import Distortion

#: Angles of view, across the longer side, from which the fit is started.
_STARTS_DEG = (40.0, 65.0, 90.0, 125.0, 160.0)

_STEPS = 60
_SETTLED = 1e-10


class BoardProblem:
    """The least squares of one set of photos.

    Its parameters are the lens' first (focal length, centre and distortion), then for each
    photo a turn (Rodrigues) and a shift from the board to the camera.
    """

    def __init__(self, boards: Sequence[SeenBoard], fisheye: bool, square_mm: float) -> None:
        self.boards = boards
        self.fisheye = fisheye
        self.square_mm = square_mm
        self.points = board_points_mm(square_mm)
        self.lens_values = 6 if fisheye else 7

    def lens(self, values: Floats) -> Distortion:
        """Return the distortion that is among the parameters."""
        k = [float(value) for value in values[3 : self.lens_values]]
        if self.fisheye:
            return Distortion("fisheye", (*k, 0.0))
        return Distortion("brown-conrady", (*k, 0.0))

    def pose(self, values: Floats, photo: int) -> Floats:
        """Return the turn and the shift of one photo, (6,): a view of the parameters."""
        first = self.lens_values + 6 * photo
        return np.asarray(values[first : first + 6])

    def project(self, values: Floats, photo: int) -> Floats:
        """Return the pixels (54, 2) of the board's corners in one photo."""
        pose = self.pose(values, photo)
        turn, _ = cv2.Rodrigues(pose[:3])
        rays = self.points @ np.asarray(turn).T + pose[3:]
        return np.asarray(bend(self.lens(values), rays) * values[0] + values[1:3])

    def projections(self, values: Floats) -> Floats:
        """Return the pixels of all corners, (photos, 108); NaN where one is not seen."""
        return np.stack([self.project(values, photo).ravel() for photo in range(len(self.boards))])

    def misses(self, values: Floats) -> Floats:
        """Return (photos, 108) differences in px; NaN where a corner is not seen."""
        return self.projections(values) - np.stack([b.pixels.ravel() for b in self.boards])

    def errors_px(self, values: Floats) -> list[float]:
        """Return the root mean square error of each photo, over both directions."""
        return [float(e) for e in np.sqrt(2 * (self.misses(values) ** 2).mean(axis=1))]

    def slopes(self, values: Floats) -> Floats:
        """Return the slopes of all differences, (photos * 108, parameters)."""
        here = self.projections(values)
        slopes = np.zeros((*here.shape, len(values)))
        for index in range(self.lens_values):
            ahead, step = _ahead(values, index)
            slopes[:, :, index] = (self.projections(ahead) - here) / step
        for photo in range(len(self.boards)):
            for index in range(self.lens_values + 6 * photo, self.lens_values + 6 * (photo + 1)):
                ahead, step = _ahead(values, index)
                slopes[photo, :, index] = (self.project(ahead, photo).ravel() - here[photo]) / step
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


def _ahead(values: Floats, index: int) -> tuple[Floats, float]:
    """Return the parameters with one of them moved a little, and by how much."""
    step = 1e-6 * max(1.0, abs(values[index]))
    ahead = values.copy()
    ahead[index] += step
    return ahead, step


def best_fit(problem: BoardProblem) -> tuple[Floats, float] | None:
    """Return the parameters that fit best, and their root mean square error in px.

    Starts from several angles of view; None where none of them leads anywhere.
    """
    fits = []
    for angle_deg in _STARTS_DEG:
        if (angle_deg > 130 and not problem.fisheye) or (start := problem.start(angle_deg)) is None:
            continue
        fits.append(improved(problem, start))
    fits = [fit for fit in fits if math.isfinite(fit[1])]
    return min(fits, key=lambda fit: fit[1], default=None)


def improved(problem: BoardProblem, values: Floats) -> tuple[Floats, float]:
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
