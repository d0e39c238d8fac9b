"""The commands that a page shows, run in order as they stand."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable

from typer.testing import CliRunner

from training.verbs import app


def commands_of(page: str) -> list[str]:
    """Return the commands in the `sh` blocks of a page: those that anyone can type.

    A line that ends with a backslash goes on in the next.
    """
    blocks = re.findall(r"^```sh\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    whole = [re.sub(r"\\\n\s*", "", block) for block in blocks]
    return [line for block in whole for line in block.splitlines() if line]


def run_as_written(lines: Iterable[str]) -> None:
    """Run commands of weedset, in the folder that one is in; each must succeed."""
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "weedset"
        result = CliRunner().invoke(app, words)
        assert result.exit_code == 0, f"{line}\n{result.output}"
