"""Which species a model can be taught from the labels there are."""

from __future__ import annotations

from collections.abc import Sequence

from training.datasets import target_table
from weedset.errors import TrainingError
from weedset.records import ANY_PLANT, LabelledTile
from weedset.talk import say


def choose_classes(tiles: Sequence[LabelledTile], least_examples: int) -> tuple[str, ...]:
    """Return ANY_PLANT and each species with enough training tiles with and without it.

    Says which species have too few. Raises TrainingError where none has enough, or there
    is too little bare ground to tell plants from it.
    """
    species = sorted({code for tile in tiles for code in tile.statement.present})
    table = target_table(tiles, (ANY_PLANT, *species))
    present, absent = (table == 1).sum(0), (table == 0).sum(0)
    enough = (present >= least_examples) & (absent >= least_examples)
    for code, ok, with_it, without in zip(
        species, enough[1:], present[1:], absent[1:], strict=True
    ):
        if not ok:
            say(
                f"{code} is left out: {with_it} training tiles show it and {without} are known to "
                f"lack it; a class needs {least_examples} of each."
            )
    chosen = tuple(code for code, ok in zip(species, enough[1:], strict=True) if ok)
    if not chosen:
        raise TrainingError(
            f"no species has {least_examples} training tiles that show it and as many that are "
            "known to lack it",
            where="labels",
            fix="label more tiles, state the checklist, or lower least_examples in the recipe",
        )
    if not enough[0]:
        raise TrainingError(
            f"{absent[0]} training tiles are labelled bare ground and {present[0]} a plant: a "
            f"model needs {least_examples} of each to tell plants from ground",
            where="labels",
            fix="label some cells that show no plant as bare",
        )
    return (ANY_PLANT, *chosen)
