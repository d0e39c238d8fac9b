"""Comparing a model with the one in use, showing what it does, and giving it away whole."""
