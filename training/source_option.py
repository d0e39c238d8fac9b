"""What the maintainer's verbs share: the recipe, and where labelled cells come from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from weedset.settings import open_workspace

if TYPE_CHECKING:
    from training.sources import Source

RecipeArgument = Annotated[
    Path, typer.Argument(help="The recipe: a name that `weedset recipes` lists, or a TOML file.")
]
EditionOption = Annotated[
    Path | None,
    typer.Option(help="An edition of a pool, instead of a workspace: pool/editions/0001, say."),
]


def open_source(workspace: Path, edition: Path | None) -> Source:
    """Open what to learn from, or to judge by.

    Raises what opening an edition or a workspace raises.
    """
    from training.sources import from_edition, from_workspace

    return from_edition(edition) if edition else from_workspace(open_workspace(workspace))
