"""Which species a model can be taught from the labels there are."""

from __future__ import annotations

from collections.abc import Sequence

from training.datasets import target_table
from weedset.errors import TrainingError
from weedset.records import ANY_PLANT, LabelledTile
from weedset.talk import say


def species_with(
    tiles: Sequence[LabelledTile], least_examples: int, but: Sequence[str] = ()
) -> tuple[str, ...]:
    """Return the species with enough tiles that show and that lack them; say which have not.

    Of those in `but` nothing is returned nor said.
    """
    species = sorted({code for tile in tiles for code in tile.statement.present}.difference(but))
    table = target_table(tiles, species)
    chosen = []
    for code, column in zip(species, table.T, strict=True):
        present, absent = int((column == 1).sum()), int((column == 0).sum())
        if min(present, absent) >= least_examples:
            chosen.append(code)
        else:
            say(
                f"{code} is left out: {present} training tiles show it and {absent} are known to "
                f"lack it; a class needs {least_examples} of each."
            )
    return tuple(chosen)


def choose_classes(tiles: Sequence[LabelledTile], least_examples: int) -> tuple[str, ...]:
    """Return ANY_PLANT and each species with enough training tiles with and without it.

    Says which species have too few. Raises TrainingError where none has enough, or there
    is too little bare ground to tell plants from it.
    """
    chosen = species_with(tiles, least_examples)
    if not chosen:
        raise TrainingError(
            f"no species has {least_examples} training tiles that show it and as many that are "
            "known to lack it",
            where="labels",
            fix="label more tiles, state the checklist, or lower least_examples in the recipe",
        )
    plants = target_table(tiles, (ANY_PLANT,))
    present, bare = int((plants == 1).sum()), int((plants == 0).sum())
    if min(present, bare) < least_examples:
        raise TrainingError(
            f"{bare} training tiles are labelled bare ground and {present} a plant: a "
            f"model needs {least_examples} of each to tell plants from ground",
            where="labels",
            fix="label some cells that show no plant as bare",
        )
    return (ANY_PLANT, *chosen)
