"""Weed image data and small weed models."""

import os

__version__ = "0.1.0"

# From 1.29 on, onnxruntime tells its maker how it is used, and keeps a number by which to know the
# computer again, unless this stands before it is imported (its Privacy.md).
os.environ["ORT_DISABLE_TELEMETRY"] = "1"
