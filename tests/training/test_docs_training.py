"""docs/training.md: every command shown runs, in order; every recipe and setting is named."""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path

import pytest
from toy_garden import ToyPhoto, make_garden, toy_photos, toy_recipe

from tests.as_written import commands_of, run_as_written
from training.recipe import read_recipe

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "training.md").read_text("utf-8")


def write_recipe(path: Path, **changes: object) -> None:
    """Write a recipe that is over in a second."""
    lines = [
        f'{name} = "{value}"' if isinstance(value, str) else f"{name} = {value}"
        for name, value in asdict(toy_recipe(name=path.stem, **changes)).items()
    ]
    path.write_text("\n".join(lines))


def test_every_command_runs_as_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The folder of a reader: recipes (toy ones, for speed), a garden, and one's own.
    (tmp_path / "configs").mkdir()
    write_recipe(tmp_path / "configs" / "teacher.toml")
    write_recipe(tmp_path / "configs" / "student15.toml", epochs=10, teacher_share=0.8)
    make_garden(tmp_path, toy_photos(("north", "south", "east", "west"), each=2))
    (tmp_path / "own").mkdir()
    photos = [ToyPhoto(f"own{i}.png", "own", 900 + i, light=0.6) for i in range(9)]
    make_garden(tmp_path / "own", photos)
    (tmp_path / "own" / "garden").rename(tmp_path / "my-garden")
    monkeypatch.chdir(tmp_path)
    lines = [
        re.sub(r"(?<=weedset train )(\w+)", r"configs/\1.toml", line) for line in commands_of(TEXT)
    ]
    assert len(lines) >= 5
    run_as_written(lines)
    for name in ("student.onnx", "mine.onnx"):
        assert (tmp_path / name).stat().st_size > 100, name


def test_every_recipe_is_named_and_every_setting_of_students() -> None:
    for path in (ROOT / "configs").glob("*.toml"):
        assert f"`{path.stem}`" in TEXT
        told = read_recipe(path)
        assert bool(told.teacher_share) == path.stem.startswith("student")
    for name in ("teacher_share", "temperature", "unlabelled_per_labelled", "label_smoothing"):
        assert f"`{name}" in TEXT
