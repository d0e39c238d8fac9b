"""docs/scale.md: every command shown runs, in order, and every verb about scale is shown."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from weedset.cli import app
from weedset.profile import read_camera_profile

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "scale.md").read_text("utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"^```{kind}\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)


def test_every_command_runs_as_written(
    drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The folder of a reader who did what the text says: photos of the board, and one more.
    shutil.copytree(drawn / "held", tmp_path / "held")
    shutil.copy(drawn / "ground.jpg", tmp_path / "ground.jpg")
    (tmp_path / "photos").mkdir()
    shutil.copy(drawn / "ground.jpg", tmp_path / "photos" / "IMG_0001.jpg")
    monkeypatch.chdir(tmp_path)
    lines = [line for block in blocks("sh") for line in block.splitlines() if line]
    assert len(lines) >= 10
    for line in lines:
        program, *words = shlex.split(line)
        assert program == "weedset"
        result = CliRunner().invoke(app, words)
        assert result.exit_code == 0, f"{line}\n{result.output}"
    for name in ("board.pdf", "cart.toml", "rule.toml", "heights.png", "glance.jpg"):
        assert (tmp_path / name).stat().st_size > 100, name


def test_the_profile_shown_can_be_read(tmp_path: Path) -> None:
    (text,) = blocks("toml")
    path = tmp_path / "cart.toml"
    path.write_text(text, "utf-8")
    profile = read_camera_profile(path)
    assert (profile.height_mm, profile.pose.pitch_deg, profile.plants.most_mm) == (600, 14, 80)


def test_every_verb_about_scale_is_shown() -> None:
    from typer.main import get_command

    group = get_command(app).commands["camera"]  # type: ignore[attr-defined]  # vendored click
    names = [f"camera {name}" for name in group.commands]
    for verb in [*names, "plan", "quality", "tile", "new"]:
        assert f"weedset {verb}" in TEXT, verb
