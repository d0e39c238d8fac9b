"""Drawn ground photos of invented gardens, with exact truth for position, scale and species.

Nothing here was photographed. Every picture is drawn from a plan whose millimetres are known, so
that the demo and the tests can compare an answer with the truth. The gardens, their names, their
plants and their light are invented; scores on them say nothing about real ground.

Run ``python -m sample_data OUT_DIR`` to write a set.
"""
