import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from training.recipe import given_recipes, read_recipe
from training.verbs import app
from weedset.errors import SettingsError

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_recipe_that_is_given_can_be_read_and_bears_its_file_name(path: Path) -> None:
    assert read_recipe(path).name == path.stem


def test_a_given_recipe_is_known_by_its_name_wherever_one_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "teacher").mkdir()  # a run of that name is no recipe
    assert list(given_recipes()) == sorted(path.stem for path in CONFIGS.glob("*.toml"))
    for name in given_recipes():
        assert read_recipe(Path(name)) == read_recipe(CONFIGS / f"{name}.toml")
    (tmp_path / "mine").write_text((CONFIGS / "small.toml").read_text())
    assert read_recipe(Path("mine")) == read_recipe(Path("small"))


@pytest.mark.parametrize(
    ("named", "near"),
    [("techer", "teacher"), ("configs/small.toml", "small"), ("xyz.toml", "")],
)
def test_of_a_recipe_that_is_not_there_those_that_are_given_are_named(
    named: str, near: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SettingsError, match="there is no such recipe") as caught:
        read_recipe(Path(named))
    assert caught.value.where == named
    assert caught.value.fix.startswith(f"did you mean {near}?" if near else "weedset has demo, ")
    assert all(name in caught.value.fix for name in given_recipes())


def test_recipes_are_listed_and_printed(tmp_path: Path) -> None:
    listed = CliRunner().invoke(app, ["recipes"])
    lines = listed.stdout.splitlines()
    assert [line.split()[0] for line in lines if line[0] != " "] == list(given_recipes())
    assert max(map(len, lines)) <= 80
    assert "for a first try, not for a garden" in " ".join(listed.stdout.split())
    records = [json.loads(line) for line in CliRunner().invoke(
        app, ["recipes", "--json"]).stdout.splitlines()]  # fmt: skip
    assert [record["name"] for record in records] == list(given_recipes())
    assert all(record["told"] for record in records)
    printed = CliRunner().invoke(app, ["recipes", "small"])
    (tmp_path / "mine.toml").write_text(printed.stdout, "utf-8")
    assert read_recipe(tmp_path / "mine.toml") == read_recipe(Path("small"))
    gone = CliRunner().invoke(app, ["recipes", "smal"])
    assert gone.exit_code == 1
    assert "did you mean small?" in gone.stderr


def changed(tmp_path: Path, old: str, new: str) -> Path:
    text = (CONFIGS / "small.toml").read_text()
    assert old in text
    path = tmp_path / "changed.toml"
    path.write_text(text.replace(old, new))
    return path


@pytest.mark.parametrize(
    ("old", "new", "field", "hint"),
    [
        ("epochs =", "epcohs =", "epcohs", "did you mean 'epochs'?"),
        ('"small"\ninput', '"smal"\ninput', "backbone", "did you mean 'small'?"),
        ("input_px = 96", "input_px = 90", "input_px", "try 96"),
        ("dropout =", "# dropout =", "dropout", ""),
        ("batch_size = 64", "batch_size = 1", "batch_size", ""),
    ],
)
def test_a_mistake_is_told_with_file_and_field(
    tmp_path: Path, old: str, new: str, field: str, hint: str
) -> None:
    path = changed(tmp_path, old, new)
    with pytest.raises(SettingsError) as caught:
        read_recipe(path)
    assert caught.value.where == f"{path}: {field}"
    assert caught.value.fix == hint
