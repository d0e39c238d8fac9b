"""The one door of the command line: its shape, its voice, and how failures leave it."""

from __future__ import annotations

import errno
import json
import sys
from pathlib import Path
from typing import Annotated, Any, Never

import typer
from typer.core import TyperGroup

from weedset import __version__
from weedset.cli.mistyped import UsageError, add_what_to_put
from weedset.errors import WeedsetError
from weedset.talk import complain, say

WorkspaceOption = Annotated[
    Path,
    typer.Option("--workspace", "-w", help="The workspace folder.", envvar="WEEDSET_WORKSPACE"),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Answer in JSON, for programs.")]


#: Verbs in the order of use, by what one wants, for the list in the help. They are added by
#: journey, and some by packages above this one; one that is not named here comes last.
CHAPTERS = {
    "Begin": ("status", "doctor", "new"),
    "Photos and labels": (
        "camera", "plan", "tile", "quality", "label", "import", "species", "doubts",
    ),
    "Models": (
        "recipes", "train", "adapt", "export", "evaluate", "leave-one-out", "bound", "compare",
        "report", "release", "released",
    ),
    "Models at work": ("classify", "card"),
    "Giving to others": ("describe", "pack", "check", "submit", "licences"),
    "Keeping a pool": ("pool",),
}  # fmt: skip

ORDER = tuple(verb for verbs in CHAPTERS.values() for verb in verbs)


#: Full disks may show up anywhere, at the latest where the answer itself is written.
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT)


class _Door(TyperGroup):
    """Turns expected failures into what is wrong, what to do next, and an exit code."""

    def list_commands(self, ctx: Any) -> list[str]:
        names = super().list_commands(ctx)
        return sorted(names, key=lambda name: ORDER.index(name) if name in ORDER else len(ORDER))

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        command: Any = super().get_command(ctx, cmd_name)
        if command is not None:
            chapters = (name for name, verbs in CHAPTERS.items() if cmd_name in verbs)
            command.rich_help_panel = next(chapters, None)
        return command

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except WeedsetError as error:
            complain(error)
            raise typer.Exit(error.exit_code) from error
        except UsageError as error:
            add_what_to_put(error)
            raise
        except OSError as error:
            if error.errno not in _NO_ROOM:
                raise
            complain(
                WeedsetError(
                    f"cannot be written ({error.strerror})",
                    where=str(error.filename or "the output"),
                    fix="make room on the disk, then give the same command again",
                )
            )
            raise typer.Exit(WeedsetError.exit_code) from error
        except KeyboardInterrupt:
            say("Stopped. What was finished is kept; the same command goes on from there.")
            raise typer.Exit(130) from None


def make_app() -> typer.Typer:
    """Return the application without verbs."""
    app = typer.Typer(
        cls=_Door,
        no_args_is_help=True,
        add_completion=True,
        pretty_exceptions_enable=False,
        rich_markup_mode="markdown",
        context_settings={"help_option_names": ["-h", "--help"]},
    )

    @app.callback()
    def weedset(
        version: Annotated[
            bool,
            typer.Option(
                "--version",
                callback=_show_version,
                is_eager=True,
                help="Show the version and exit.",
            ),
        ] = False,
    ) -> None:
        """Ground photos to labelled cells, small weed models, and honest scores.

        New here? `weedset status` says what the folder you are in holds and which command
        comes next; `weedset doctor` says whether all that you need is installed.

        A weedset model never moves a tool by itself: it says treat, leave or unsure, and
        the default is to leave. Keep people and animals away from a working machine.
        """

    return app


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"weedset {__version__}")
        raise typer.Exit


def emit(record: object) -> None:
    """Write one JSON line to stdout."""
    sys.stdout.write(json.dumps(record, ensure_ascii=False) + "\n")


def usage_error(what: str) -> Never:
    """Leave with exit code 2, saying what is wrong with the command as typed."""
    raise typer.BadParameter(what)
