"""Random changes that leave a tile's plants what they are; the only user of albumentations."""

from __future__ import annotations

import os
import random

# Without this, importing albumentations asks the network for its newest version.
os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"

import albumentations as alb
import cv2
import numpy as np
from numpy.typing import NDArray


class Augmenter:
    """Changes tiles at random: turn, shift, scale, light, colour, shadow, blur and noise.

    Plants seen from above have no up, so any turn is allowed. Scale changes little, since
    every cell spans the same ground; so does place, lest a plant at the edge gets lost while
    its label stays.
    """

    def __init__(self, seed: int) -> None:
        self._compose = alb.Compose(_changes())
        self._seed = seed
        # All changes draw from these two in turn. Compose.set_random_seed would give each
        # the same seed of its own, so that they would come together or not at all.
        self._floats, self._choices = np.random.PCG64(), random.Random()
        self._compose.set_random_state(np.random.Generator(self._floats), self._choices)

    def __call__(self, tile: NDArray[np.uint8], epoch: int, index: int) -> NDArray[np.uint8]:
        """Return a changed copy of a tile (side, side, 3).

        Seed, epoch and index of the tile alone decide how: not the process that does it,
        nor what it did before, so that no random state need be kept or handed over.
        """
        seeds = np.random.SeedSequence((self._seed, epoch, index))
        self._floats.state = np.random.PCG64(seeds).state
        self._choices.seed(int(seeds.generate_state(1)[0]))
        changed: NDArray[np.uint8] = self._compose(image=tile)["image"]
        return changed


def _changes() -> list[alb.BasicTransform]:
    reflect = cv2.BORDER_REFLECT_101
    return [
        alb.D4(p=1),
        alb.Affine(
            scale=(0.92, 1.08),
            translate_percent=(-0.04, 0.04),
            rotate=(-30, 30),
            border_mode=reflect,
            p=0.6,
        ),
        alb.RandomShadow(shadow_roi=(0, 0, 1, 1), shadow_intensity_range=(0.3, 0.6), p=0.15),
        alb.RandomBrightnessContrast(0.25, 0.25, p=0.7),
        alb.HueSaturationValue(6, 25, 0, p=0.4),
        alb.PlanckianJitter(temperature_limit=(4500, 8500), p=0.4),
        alb.OneOf(
            [
                alb.GaussianBlur(blur_limit=0, sigma_limit=(0.3, 1.2), p=1),
                alb.MotionBlur(blur_limit=(3, 5), p=1),
            ],
            p=0.2,
        ),
        alb.GaussNoise(std_range=(0.01, 0.04), p=0.2),
    ]


def use_one_thread() -> None:
    """Keep the changes of this process to one core."""
    cv2.setNumThreads(0)
