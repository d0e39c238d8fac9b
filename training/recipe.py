"""What a training run is told: one frozen record, read from a TOML file."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, fields
from itertools import takewhile
from pathlib import Path
from typing import Literal, cast, get_args

from weedset.errors import SettingsError
from weedset.fields import Fields, read_text, read_toml

BackboneName = Literal["tiny", "small", "lite0", "resnet50"]

#: A link to `configs/` of the repository: the recipes that come with weedset, also when installed.
_GIVEN = Path(__file__).with_name("configs")


@dataclass(frozen=True, slots=True)
class Recipe:
    """The settings of a training run; together with the data they fix its result.

    `learning_rate` is the peak of the one-cycle schedule. `most_pos_weight` caps how much
    more a present species may weigh in the loss than an absent one. A species becomes a
    class when it is present in, and known to be absent from, at least `least_examples`
    training tiles. `label_smoothing` moves labels so far towards one half, where some are wrong.

    A student gives `teacher_share` of its loss to the teacher's probabilities, softened by
    `temperature`, and learns from up to `unlabelled_per_labelled` times as many tiles without
    labels as with.
    """

    name: str
    backbone: BackboneName
    input_px: int
    epochs: int
    batch_size: int
    learning_rate: float
    weight_decay: float
    dropout: float
    most_pos_weight: float
    least_examples: int
    seed: int
    label_smoothing: float = 0.0
    teacher_share: float = 0.0
    temperature: float = 2.0
    unlabelled_per_labelled: float = 0.0


def given_recipes() -> dict[str, Path]:
    """Return the recipes that come with weedset, by name."""
    return {path.stem: path for path in sorted(_GIVEN.glob("*.toml"))}


def read_recipe(named: Path) -> Recipe:
    """Read a recipe: one that comes with weedset, by its name, or any by its path.

    Raises SettingsError, naming file and field, for what is missing, absurd or misspelt; of a
    recipe that is not there it names those that come with weedset.
    """
    return recipe_from(read_toml(recipe_path(named), SettingsError))


def recipe_path(named: Path) -> Path:
    """Return the file of a recipe; as `read_recipe`."""
    # A folder of runs may well hold one called teacher: that is no recipe.
    if named.exists() and str(named) not in given_recipes():
        return named
    return given_recipe(str(named))


def given_recipe(name: str) -> Path:
    """Return the file of a recipe that comes with weedset; raises SettingsError."""
    given = given_recipes()
    if name in given:
        return given[name]
    near = difflib.get_close_matches(Path(name).stem, given, 1)
    fix = f"did you mean {near[0]}? " if near else ""
    fix += f"weedset has {', '.join(given)}: `weedset recipes` tells of them"
    raise SettingsError("there is no such recipe", where=name, fix=fix)


def told_of(path: Path) -> str:
    """Return what a recipe says of itself: the comment it begins with, "" where it has none."""
    lines = takewhile(lambda line: line.startswith("#"), read_text(path, SettingsError).split("\n"))
    return " ".join(line.lstrip("# ").rstrip() for line in lines)


def recipe_from(table: Fields) -> Recipe:
    """Read a recipe from a table of fields; see `read_recipe`."""
    # Misspellings first: "did you mean epochs?" helps more than "epochs is missing".
    table.knows(*(field.name for field in fields(Recipe)))
    table.done()
    return Recipe(
        name=table.text("name"),
        backbone=cast(BackboneName, table.choice("backbone", get_args(BackboneName))),
        input_px=_input_px(table),
        epochs=table.whole("epochs", least=1, most=10_000),
        batch_size=table.whole("batch_size", least=2, most=4096),
        learning_rate=table.number("learning_rate", above=0, most=1),
        weight_decay=table.number("weight_decay", least=0, most=1),
        dropout=table.number("dropout", least=0, below=1),
        most_pos_weight=table.number("most_pos_weight", least=1, most=1000),
        least_examples=table.whole("least_examples", least=2, most=100_000),
        seed=table.whole("seed", least=0, most=2**31 - 1),
        label_smoothing=_optional(table, "label_smoothing", least=0, below=0.5),
        teacher_share=_optional(table, "teacher_share", least=0, most=1),
        temperature=_optional(table, "temperature", least=1, most=20),
        unlabelled_per_labelled=_optional(table, "unlabelled_per_labelled", least=0, most=100),
    )


def _input_px(table: Fields) -> int:
    input_px = table.whole("input_px", least=32, most=512)
    if input_px % 32:
        near = max(32, round(input_px / 32) * 32)
        raise table.complaint("input_px", f"is {input_px}, no multiple of 32", f"try {near}")
    return input_px


def _optional(table: Fields, name: str, **limits: float) -> float:
    """Return the number `name`, or what a recipe that does not name it means."""
    defaults = {field.name: field.default for field in fields(Recipe)}
    return table.number(name, **limits) if name in table else cast(float, defaults[name])
