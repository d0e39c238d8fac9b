"""Write docs/commands.md: every verb with its words, options and examples, as the program has them.

Run by `make docs`; a test compares the page with what this would write.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Any, Literal, get_args, get_origin, get_type_hints

from typer.main import get_command

from training.verbs import app

PAGE = Path(__file__).with_name("commands.md")

_HEAD = """# Commands

Every verb of `weedset`. `make docs` writes this page from the program itself; do not edit it.
`weedset --help` and `weedset VERB --help` say the same.

All verbs keep to this: what you asked for goes to standard output, talk about it to standard
error, so pipes stay clean; with `--json` one JSON object per line. Colour only helps, is left out
in pipes, and can be switched off with `NO_COLOR=1`. Exit codes: 0 done; 1 it could not be done,
and the message says what to do; 2 the command was typed wrongly; 3 a check said no; 130 stopped
with Ctrl+C. A mistyped verb, option, species code or file name is answered with the nearest one.
`weedset --install-completion` teaches your shell (bash, zsh, fish, PowerShell) to complete verbs
and options with the Tab key; open a new shell after it.
"""


def commands_page() -> str:
    """Return the text of docs/commands.md."""
    verbs = list(verbs_of(get_command(app), ["weedset"]))
    lines = [_HEAD]
    for name, command in verbs:
        anchor = name.replace(" ", "-")
        lines.append(f"- [`{name}`](#{anchor}): {_first_line(command)}")
    for name, command in verbs:
        lines += ["", f"## {name}", "", *_verb(name, command)]
    return "\n".join(lines) + "\n"


def verbs_of(command: Any, words: list[str]) -> Iterator[tuple[str, Any]]:
    """Yield each verb, however deep, by its full name, in the order of the program's help."""
    if not hasattr(command, "commands"):
        yield " ".join(words), command
        return
    context = command.make_context(words[-1], ["--x"], resilient_parsing=True)
    for name in command.list_commands(context):
        yield from verbs_of(command.commands[name], [*words, name])


def examples_of(command: Any) -> list[str]:
    """Return the commands that the help of a verb shows as examples."""
    text = inspect.cleandoc(command.help or "")
    return [" ".join(shown.split()) for shown in re.findall(r"Example: `(.+?)`", text, re.DOTALL)]


def _first_line(command: Any) -> str:
    return inspect.cleandoc(command.help or "").partition("\n\n")[0].replace("\n", " ")


def _verb(name: str, command: Any) -> list[str]:
    text = inspect.cleandoc(command.help or "").partition("Example: ")[0].strip()
    words = [item for item in command.params if item.param_type_name == "argument"]
    usage = " ".join([name, *(_shown(item) for item in words), "[options]"])
    lines = [text, "", "```", usage, "", *examples_of(command), "```", ""]
    hints = get_type_hints(inspect.unwrap(command.callback))
    rows = [_row(item, _choices(hints.get(item.name))) for item in command.params
            if item.name != "help"]  # fmt: skip
    return [*lines, "| word or option | what it says | if not given |", "|--|--|--|", *rows]


def _shown(item: Any) -> str:
    name = item.name.upper() + ("..." if item.nargs == -1 else "")
    return name if item.required else f"[{name}]"


def _choices(hint: Any) -> list[str]:
    """Return the words that a parameter may be, where they are few."""
    if get_origin(hint) is Literal:
        return [str(word) for word in get_args(hint)]
    if isinstance(hint, type) and issubclass(hint, Enum):
        return [str(word.value) for word in hint]
    return [word for inner in get_args(hint) for word in _choices(inner)]


def _row(item: Any, choices: list[str]) -> str:
    if item.param_type_name == "argument":
        names = f"`{_shown(item)}`"
    else:
        names = ", ".join(f"`{name}`" for name in (*item.opts, *item.secondary_opts))
    said = [(item.help or "").strip()]
    if choices:
        said.append(f"One of {', '.join(choices)}.")
    if getattr(item, "envvar", None):
        said.append(f"Or the variable `{item.envvar}`.")
    text = " ".join(part for part in said if part).replace("|", "\\|")
    return f"| {names} | {text} | {_default(item)} |"


def _default(item: Any) -> str:
    if item.required:
        return "needed"
    default = getattr(item.default, "value", item.default)
    if default in (None, "", False, [], ()) or callable(default):
        return ""
    if default is True:
        return "yes"
    return f"`{default}`"


if __name__ == "__main__":
    PAGE.write_text(commands_page(), "utf-8")
