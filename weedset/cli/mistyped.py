"""Commands typed amiss: what to put instead, added to what the command line says of them.

Typer names what is missing or too much, but neither what to put there nor where a word
that is too much belongs. What it raises has no public name but that of its heirs.
"""

from __future__ import annotations

import difflib
import re
import shlex
from pathlib import Path
from typing import Any, cast

import typer

from weedset.settings import SETTINGS_NAME

#: What a command typed amiss raises: a usage error, of whichever kind.
UsageError = cast(type[Exception], typer.BadParameter.__base__)

_TOO_MUCH = re.compile(r"unexpected extra arguments?(?:\(s\))? \((?P<words>.*)\)", re.DOTALL)
_NUMBERS = re.compile(r"[\d., ]+")
_NO_CHOICE = re.compile(r"(?:Value error, )?'(?P<word>.*?)' is not one of (?P<choices>'.*')")


def add_what_to_put(error: Any) -> None:
    """Add to the message of a usage error what to put instead, where that can be told."""
    if error.ctx is None:
        return
    if type(error).__name__ == "MissingParameter":
        error.message = _what_is_missing(error)
    elif found := _TOO_MUCH.search(error.message):
        if room := _workspace(found["words"], error.ctx):
            error.message += f": did you mean -w {shlex.quote(room)}?"
        elif _NUMBERS.fullmatch(found["words"]) and _takes_points(error.ctx):
            error.message += ": write a point without a blank, such as --from 100,80"
    elif found := _NO_CHOICE.search(error.message):
        choices = re.findall(r"'(.*?)'", found["choices"])
        near = difflib.get_close_matches(found["word"], choices, 1)
        hint = f"did you mean {near[0]}? There are" if near else "give one of"
        error.message = f"{found['word']!r} is none of them: {hint} {', '.join(choices)}."


def _what_is_missing(error: Any) -> str:
    """Return what to put for all that is missing: what was given is taken in before it."""
    missing = [
        param
        for param in error.ctx.command.params
        if param.required
        and param.name not in error.ctx.params
        and param.value_from_envvar(error.ctx) is None
    ]
    lines = [f"{_shown(param)}: {(getattr(param, 'help', '') or '').strip()}" for param in missing]
    return "\n".join(["What to put:", *lines])


def _shown(param: Any) -> str:
    if param.param_type_name == "argument":
        return str(param.name).upper()
    return str(param.opts[0])


def _takes_points(ctx: Any) -> bool:
    return any("--from" in param.opts for param in ctx.command.params)


def _workspace(words: str, ctx: Any) -> str:
    """Return the workspace folder among words that are too much, "" where there is none."""
    if not any("-w" in param.opts for param in ctx.command.params):
        return ""
    rooms = (word for word in (words, *words.split()) if (Path(word) / SETTINGS_NAME).is_file())
    return next(rooms, "")
