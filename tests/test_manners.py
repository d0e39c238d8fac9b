"""How the command line behaves: examples that can be typed, near misses, pipes, completion."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from docs.commands import PAGE, commands_page, examples_of, verbs_of
from training.verbs import app

VERBS = dict(verbs_of(get_command(app), ["weedset"]))

#: Verbs that answer with nothing but what went on, or with a file, a page or JSON anyway.
WITHOUT_JSON = {
    "weedset new", "weedset label", "weedset camera sheet",
    "weedset train", "weedset export", "weedset report", "weedset pool new", "weedset pool look",
}  # fmt: skip


def run(*words: str, **env: str) -> subprocess.CompletedProcess[str]:
    """Run the program as a shell would."""
    return subprocess.run(
        [sys.executable, "-c", "from training.verbs import main; main()", *words],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parent.parent), **env},
        capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("name", VERBS)
def test_each_example_can_be_typed(name: str) -> None:
    """The words are taken as they stand: no option that is gone, no argument that is missing."""
    command: Any = VERBS[name]
    examples = examples_of(command)
    assert len(examples) >= 2
    assert len(set(examples)) == len(examples)
    for example in examples:
        typed = shlex.split(re.split(" [|>] ", example)[0])
        words = name.split()
        assert typed[: len(words)] == words, example
        command.make_context(name, typed[len(words) :])


@pytest.mark.parametrize("name", VERBS)
def test_each_option_says_what_it_does(name: str) -> None:
    for item in VERBS[name].params:
        assert (item.help or "").strip(), f"{name} {item.name}"


@pytest.mark.parametrize("name", sorted(VERBS.keys() - WITHOUT_JSON))
def test_programs_get_json_where_there_is_something_to_read(name: str) -> None:
    options = [option for item in VERBS[name].params for option in item.opts]
    assert "--json" in options, f"give {name} --json, or name it in WITHOUT_JSON with its reason"


def test_the_page_of_commands_is_what_the_program_says() -> None:
    assert PAGE.read_text("utf-8") == commands_page(), "run `make docs`"


@pytest.mark.parametrize(
    ("words", "near"),
    [
        (["statsu"], "'status'"),
        (["pool", "reveiw"], "'review'"),
        (["status", "--jsn"], "--json"),
        (["import", "mask"], "'masks'"),
    ],
)
def test_a_near_miss_is_named(words: list[str], near: str) -> None:
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert near in result.stderr


def test_a_near_miss_of_a_species_or_a_file_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    CliRunner().invoke(app, ["new", "garden"])
    Path("cart.toml").write_text('name = "cart"\n[scale]\ngsd_mm_per_px = 0.5\n')
    Path("labels.csv").write_text("photo,row,col,species\n")
    for words, near in (
        (["status", "cart.tmol"], "cart.toml"),
        (["status", "-w", "gardn"], "garden"),
        (["import", "csv", "label.csv", "--looked-for", "CHEAL", "-w", "garden"], "labels.csv"),
        (["import", "csv", "labels.csv", "--looked-for", "CHEAK", "-w", "garden"], "CHEAL"),
    ):
        result = CliRunner().invoke(app, words)
        assert result.exit_code == 1, words
        assert near in result.stderr, (words, result.stderr)
    for words in (["card", "other.onnx"], ["status", "garden/x/y.toml"]):
        assert "did you mean" not in CliRunner().invoke(app, words).stderr


def test_colour_is_left_out_where_it_is_not_wanted() -> None:
    """no-color.org (2017): any value that is not empty switches colour off."""
    coloured = run("status", "gone", FORCE_COLOR="1", TERM="xterm")
    plain = run("status", "gone", FORCE_COLOR="1", TERM="xterm", NO_COLOR="1")
    assert (coloured.returncode, plain.returncode) == (1, 1)
    assert "\x1b[1;31m" in coloured.stderr
    assert "\x1b[31m" not in plain.stderr
    assert "31m" not in plain.stderr


def test_a_pipe_that_is_closed_early_is_no_failure() -> None:
    """As with `weedset licences | head -1`."""
    program = f"{shlex.quote(sys.executable)} -c 'from training.verbs import main; main()'"
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {program} species a --json | head -1"],
        cwd=Path(__file__).resolve().parent.parent, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert json.loads(done.stdout)["code"]
    assert "Traceback" not in done.stderr


def test_a_full_disk_is_said_in_words() -> None:
    """Linux' full(4): every write to /dev/full fails with ENOSPC."""
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-c", "from training.verbs import main; main()", "licences"],
            cwd=Path(__file__).resolve().parent.parent, stdout=full, stderr=subprocess.PIPE,
            text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("error: the output: cannot be written (No space left on device)")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("most", [0, 40_000])
def test_no_room_for_temporary_files_is_said_in_words(tmp_path: Path, most: int) -> None:
    """The system refuses to make any file longer (POSIX setrlimit), wherever it is."""
    code = (
        f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({most}, {most})); "
        "from training.verbs import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "export", "run", "--out", "m.onnx", "-w", "garden"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parent.parent)},
    )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("error: ")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_can_be_had_for_the_shell(shell: str) -> None:
    asked = {"_WEEDSET_COMPLETE": f"complete_{shell}"}
    if shell == "bash":
        asked |= {"COMP_WORDS": "weedset stat", "COMP_CWORD": "1"}
    else:
        asked |= {"_TYPER_COMPLETE_ARGS": "weedset stat", "_TYPER_COMPLETE_FISH_ACTION": "get-args"}
    program = "import sys; sys.argv[0] = 'weedset'; from training.verbs import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=Path(__file__).resolve().parent.parent,
        env={**os.environ, **asked}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "status" in done.stdout, done.stderr
