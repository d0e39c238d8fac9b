"""docs/: every page has its place, every kind of failure and every record its entry."""

from __future__ import annotations

import inspect
import pickle
import re
import shlex
from dataclasses import is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from docs.pictures import PICTURES
from tests.as_written import commands_of
from tests.conftest import SavePhoto
from training.verbs import app
from weedset import errors, records

ROOT = Path(__file__).resolve().parent.parent
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.glob("*.md"))


def leaves(kind: type) -> list[type]:
    return [found for below in kind.__subclasses__() for found in (below, *leaves(below))]


def test_the_index_names_each_page_once() -> None:
    index = (DOCS / "README.md").read_text("utf-8")
    linked = re.findall(r"\]\((\w[\w-]*\.md)\)", index)
    assert sorted(linked) == [page.name for page in PAGES if page.name != "README.md"]
    assert re.findall(r"^## (\w+)", index, re.MULTILINE) == ["Learn", "Do", "Look", "Understand"]


@pytest.mark.parametrize("page", PAGES, ids=[page.name for page in PAGES])
def test_what_a_page_points_at_is_there(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text("utf-8")):
        assert "://" in target or (page.parent / target).exists(), target


def test_each_kind_of_failure_crosses_processes() -> None:
    for kind in leaves(errors.WeedsetError):
        failed: Any = kind((1, 2)) if kind is errors.ConflictError else kind("is", where="there")
        again = pickle.loads(pickle.dumps(failed))
        assert (type(again), str(again), again.where) == (kind, str(failed), failed.where)


def test_each_kind_of_failure_has_its_entry() -> None:
    text = (DOCS / "errors.md").read_text("utf-8")
    kinds = [kind for kind in leaves(errors.WeedsetError) if "tests" not in kind.__module__]
    assert {kind.__module__ for kind in kinds} == {"weedset.errors"}, "one tree, in one file"
    entries = dict(re.findall(r"^### (\w+)\n\n((?:- .*\n(?:  .*\n)*)+)", text, re.MULTILINE))
    assert sorted(re.findall(r"^### (.*)$", text, re.MULTILINE)) == sorted(entries)
    assert sorted(entries) == sorted(kind.__name__ for kind in kinds)
    for name, entry in entries.items():
        assert re.findall(r"^- ([\w ]+):", entry, re.MULTILINE) == ["Means", "Usual cause", "Do"], (
            name
        )
        assert f"─ {name} " in str(errors.__doc__), f"{name} is not drawn in the tree"


def test_each_record_has_one_word() -> None:
    text = (DOCS / "glossary.md").read_text("utf-8")
    words = re.findall(r"^- \*\*(.+?)\*\*(?: \(`(\w+)`\))?: \S", text, re.MULTILINE)
    names = [name for name, _ in words]
    assert names == sorted(set(names), key=str.casefold)
    assert len(names) == len(re.findall(r"^- ", text, re.MULTILINE))
    kinds = [
        name
        for name, kind in inspect.getmembers(records, inspect.isclass)
        if kind.__module__ == records.__name__ and (is_dataclass(kind) or issubclass(kind, Enum))
    ]
    assert sorted(record for _, record in words if record) == sorted(kinds)


def commands(page: str) -> list[list[str]]:
    text = (DOCS / page).read_text("utf-8")
    return [shlex.split(line) for line in commands_of(text)]


def test_the_first_afternoon_runs_as_written(
    save_photo: SavePhoto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    save_photo("photos/IMG_0001.jpg", size=(1296, 972))
    save_photo("photos/IMG_0002.jpg", pixels=np.full((972, 1296, 3), 90, np.uint8))
    monkeypatch.chdir(tmp_path)
    heard = ""
    for program, *words in commands("first-afternoon.md"):
        assert program == "weedset"
        result = CliRunner().invoke(app, words)
        assert result.exit_code == 0, f"{words}\n{result.output}"
        heard += result.output
        # What `status` says comes next is what the page says comes next.
        if words == ["status"]:
            assert "weedset camera explain photos/IMG_0001.jpg" in result.output
    (shown,) = re.findall(
        r"^```text\n(.*?)\n```", (DOCS / "first-afternoon.md").read_text("utf-8"),
        re.MULTILINE | re.DOTALL,
    )  # fmt: skip
    assert shown in heard
    assert "The profile agrees." in heard
    assert "weedset label -w garden" in result.output


def test_the_commands_about_installing_run() -> None:
    for program, *words in commands("installing.md"):
        assert program == "weedset"
        result = CliRunner().invoke(app, words)
        assert result.exit_code == 0, f"{words}\n{result.output}"


def test_each_picture_is_drawn_by_the_one_script() -> None:
    """Pictures that nobody can draw again show what is no longer so."""
    drawn = {path.name for path in DOCS.iterdir() if path.suffix in (".jpg", ".png")}
    assert drawn == set(PICTURES)
    text = "".join(page.read_text("utf-8") for page in (*PAGES, ROOT / "README.md"))
    for name in PICTURES:
        assert f"{name})" in text, f"{name} is shown nowhere"
