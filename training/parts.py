"""What the verbs of training need installed, asked before any of it is imported."""

from __future__ import annotations

from importlib.util import find_spec

from weedset.errors import MissingPartError


def require_training() -> None:
    """Raise MissingPartError where the training part of weedset is not installed."""
    for name in ("torch", "sklearn", "albumentations", "onnx", "jinja2"):
        if find_spec(name) is None:
            fix = "pip install 'weedset[train]'"
            raise MissingPartError(f"this needs the training part ({name} is absent)", fix=fix)
