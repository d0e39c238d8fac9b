"""What the verbs of the pool ask for alike."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

PoolArgument = Annotated[Path, typer.Argument(help="The pool folder.")]
NameArgument = Annotated[str, typer.Argument(help="Its batch id, or the beginning of its digest.")]
WhoOption = Annotated[
    str, typer.Option(help="Who does this; a handle will do.", envvar="WEEDSET_WHO")
]
ReasonOption = Annotated[str, typer.Option(help="Why, in words for the giver.")]
DigestOption = Annotated[
    str, typer.Option("--sha256", help="The digest that the edition should have, if you know it.")
]
ApartOption = Annotated[
    bool,
    typer.Option(
        "--apart",
        help="Of what open editions leave out because of its licence, and nothing else.",
    ),
]
