"""Drawn labels of one class and probabilities that more or less tell them apart."""

import numpy as np


def drawn(seed: int, n: int = 400, apart: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    targets = rng.choice(np.array([-1, 0, 1], np.int8), n, p=(0.2, 0.6, 0.2))
    scores = rng.normal(apart * (targets == 1), 1)
    return targets, (1 / (1 + np.exp(-scores))).astype(np.float32)
