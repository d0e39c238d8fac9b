"""Weed image data and small weed models."""

__version__ = "0.1.0"
