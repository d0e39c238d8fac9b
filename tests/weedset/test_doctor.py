"""`weedset doctor`: what is missing, for whom, by the bounds of pyproject.toml alone."""

from __future__ import annotations

import json
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from typer.testing import CliRunner

from training.verbs import app
from weedset.installed import JOURNEYS, journey_needs, machine_needs, package_needs

PROJECT = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "pyproject.toml").read_text("utf-8")
)["project"]


def run(*words: str) -> tuple[int, list[dict[str, object]]]:
    result = CliRunner().invoke(app, ["doctor", *words, "--json"])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, [json.loads(line) for line in result.stdout.splitlines()]


@pytest.fixture
def as_in_pyproject(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the installed description say what pyproject.toml says, however old it is."""
    made = metadata.metadata("weedset")
    del made["Requires-Dist"]  # type: ignore[attr-defined]  # a Message underneath
    for line in PROJECT["dependencies"]:
        made["Requires-Dist"] = line  # type: ignore[index]
    for extra, lines in PROJECT["optional-dependencies"].items():
        for line in lines:
            made["Requires-Dist"] = f'{line}; extra == "{extra}"'  # type: ignore[index]
    monkeypatch.setattr("weedset.installed.metadata.metadata", lambda _: made)


@pytest.mark.usefixtures("as_in_pyproject")
@pytest.mark.parametrize("part", ["", "desk", "pool", "train"])
def test_each_part_asks_for_what_pyproject_asks_for(part: str) -> None:
    lines = PROJECT["optional-dependencies"][part] if part else PROJECT["dependencies"]
    wanted = {item.name: str(item.specifier) for item in map(Requirement, lines)}
    wanted.pop("weedset", None)
    found = {item.name: item.needs for item in package_needs(part)}
    assert found == wanted


@pytest.mark.usefixtures("as_in_pyproject")
def test_all_is_there_where_the_tests_run(tmp_path: Path) -> None:
    for journey in JOURNEYS:
        assert [item for item in journey_needs(journey) if not item.fine] == []
    assert all(item.fine for item in machine_needs(tmp_path))
    code, records = run("maintainer", "-w", str(tmp_path))
    assert (code, records[-1]["ready"]) == (0, True)


@pytest.mark.usefixtures("as_in_pyproject")
def test_what_is_missing_counts_for_those_who_need_it(monkeypatch: pytest.MonkeyPatch) -> None:
    true_version = metadata.version

    def version(name: str) -> str:
        if name == "torch":
            raise metadata.PackageNotFoundError
        return "0.1" if name == "pyarrow" else true_version(name)

    monkeypatch.setattr("weedset.installed.metadata.version", version)
    assert run("gardener")[0] == 0, "tiling and labelling need no torch"
    code, records = run("training")
    assert (code, records[-1]) == (
        1, {"journey": "training", "ready": False, "missing": ["torch"]},
    )  # fmt: skip
    (torch,) = [item for item in records if item.get("name") == "torch"]
    assert torch["found"] == "not installed"
    assert torch["fix"] == "pip install --upgrade 'weedset[train]'"
    assert run("contributor")[0] == 0
    code, records = run("maintainer")
    assert (code, records[-1]["missing"]) == (1, ["pyarrow", "torch"])
    code, records = run()
    assert code == 0, "nobody's work was named"
    assert [item["ready"] for item in records[-5:]] == [True, False, True, False, True]
    shown = CliRunner().invoke(app, ["doctor", "training"])
    assert "training: not ready, for torch" in shown.stdout
    assert "do: pip install --upgrade 'weedset[train]'" in shown.stderr


def test_a_machine_that_is_not_fit_is_said_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("weedset.installed.struct.calcsize", lambda _: 4)
    monkeypatch.setattr("weedset.installed.platform.python_version", lambda: "3.10.1")
    monkeypatch.setattr("weedset.installed.os.access", lambda *_: False)
    found = {item.name: item for item in machine_needs(tmp_path / "new" / "garden")}
    assert [name for name, item in found.items() if not item.fine] == [
        "Python", "word size", f"folder {tmp_path / 'new' / 'garden'}",
    ]  # fmt: skip
    assert found["word size"].found == "32 bit"
    monkeypatch.undo()
    monkeypatch.setattr("weedset.cli.doctor.machine_needs", lambda _: found.values())
    assert CliRunner().invoke(app, ["doctor"]).exit_code == 1
