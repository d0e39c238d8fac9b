"""The files of a release, and that they belong together.

README.md             the model card, with a YAML head
CREDITS.md CAUTIONS.md
model.onnx            the int8 file for boards
policy.toml           the policy under which it was judged
evaluation.json       what it did on photos that it has never seen
comparison.json       the same against the model that was in use, if there was one
recipe.toml           what it was trained with
run/                  the weights, the run and its card, as `weedset train` wrote them
release.json          digests of model, recipe and edition, and what was asked of it
manifest-sha256.txt   SHA-256 of every other file
"""

from __future__ import annotations

from weedset.errors import ModelError
from weedset.modelcard import ModelCard

MANIFEST = "manifest-sha256.txt"
FACTS = "release.json"
MODEL = "model.onnx"
RECIPE = "recipe.toml"
RUN = "run"


def require_same(card: ModelCard, of_run: ModelCard) -> None:
    """Raise ModelError where a model file was not exported from a run."""
    for name in ("name", "made_on", "edition_digest", "codes", "input_px", "split", "held_out"):
        if getattr(card, name) != getattr(of_run, name):
            raise ModelError(
                f"is not of the run that was given: its card has another {name.replace('_', ' ')}",
                where=card.name,
                fix="give the folder from which `weedset export` made this very file",
            )
