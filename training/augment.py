"""Random changes that leave a tile's plants what they are; the only user of albumentations."""

from __future__ import annotations

import os

# Without this, importing albumentations asks the network for its newest version.
os.environ["NO_ALBUMENTATIONS_UPDATE"] = "1"

import albumentations as alb
import cv2
import numpy as np
from numpy.typing import NDArray
from torch.utils.data import get_worker_info


class Augmenter:
    """Changes tiles at random: turn, shift, scale, light, colour, shadow, blur and noise.

    Plants seen from above have no up, so any turn is allowed. Scale changes little, since
    every cell spans the same ground; so does place, lest a plant at the edge gets lost while
    its label stays.
    """

    def __init__(self, seed: int) -> None:
        self._compose = alb.Compose(_changes())
        self.set_random_seed(seed)

    def __call__(self, tile: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return a changed copy of a tile (side, side, 3)."""
        changed: NDArray[np.uint8] = self._compose(image=tile)["image"]
        return changed

    def set_random_seed(self, seed: int) -> None:
        """Start the random sequence anew."""
        # Compose.set_random_seed would give all changes the same seed, so that they would
        # come together or not at all.
        for change, own in zip(
            self._compose.transforms,
            np.random.SeedSequence(seed).spawn(len(_changes())),
            strict=True,
        ):
            change.set_random_seed(int(own.generate_state(1)[0]))


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


def seed_worker(_worker_id: int) -> None:
    """Give each worker process, in each epoch, a random sequence of its own.

    For `DataLoader(worker_init_fn=...)`: albumentations' state is copied by fork, so that
    otherwise all workers would draw the same, and the same again in every epoch.
    """
    cv2.setNumThreads(0)
    info = get_worker_info()
    assert info is not None
    augment = getattr(info.dataset, "augment", None)
    if augment is not None:
        augment.set_random_seed(info.seed % 2**32)
