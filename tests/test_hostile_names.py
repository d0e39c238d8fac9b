"""Names of files as strangers give them: what can be told is told, what steers a screen is not."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from training.verbs import app
from weedset.errors import PhotoError, WeedsetError
from weedset.settings import open_workspace
from weedset.store import open_store

#: Blanks, quotes, markup of the screen's library, accents, a dash, and right-to-left marks.
GOOD = ("a b.jpg", "'quote\".jpg", "[bold]x.jpg", "ä.jpg", "-dash.jpg", "rtl\u202egpj.jpg")
BAD = (b"new\nline.jpg", b"esc\x1b[31mred.jpg", b"\xff\xfe.jpg")


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "ph otos"
    folder.mkdir()
    for number, name in enumerate((*GOOD, *BAD)):
        path = Path(os.fsdecode(os.fsencode(folder) + b"/" + os.fsencode(name)))
        pixels = np.random.default_rng(number).integers(0, 255, (120, 120, 3), np.uint8)
        Image.fromarray(pixels).save(path)
    Path("cam.toml").write_text('name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n')
    CliRunner().invoke(app, ["new", "garden"])
    return folder


def run(*words: object) -> subprocess.CompletedProcess[bytes]:
    """Run the program as a shell would: strange bytes reach real streams."""
    code = "from training.verbs import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[1])},
    )


def shown(done: subprocess.CompletedProcess[bytes]) -> str:
    """Return all that was written, once nothing in it steers a screen."""
    text = (done.stdout + done.stderr).decode()  # all of it is UTF-8
    assert "Traceback" not in text
    assert all(letter.isprintable() or letter == "\n" for letter in text), text
    return text


def test_photos_of_strange_names(here: Path) -> None:
    words = ("--camera", "cam.toml", "--site", "s", "--on", "2024-05-01", "-w", "garden")
    done = run("tile", here, *words)
    assert done.returncode == 1
    text = shown(done)
    assert text.count("has a name with control characters") == 2
    assert text.count("that is not UTF-8 text") == 1
    with open_store(open_workspace(Path("garden"))) as store:
        assert {photo.name for photo in store.photos()} == set(GOOD)
    for words in (("status", "."), ("quality", "-w", "garden"), ("status", "-w", "garden")):
        done = run(*words)
        assert done.returncode == 0
        shown(done)
    for name in (GOOD[-1], *map(os.fsdecode, BAD)):
        done = run("status", here / name, "--json")
        assert done.returncode == 0
        assert Path(json.loads(done.stdout)["path"]).name == name


def test_names_that_no_file_can_have(here: Path) -> None:
    long = "x" * 300
    for words in (
        ("status", long),
        ("classify", here, "--model", f"{long}.onnx", "--camera", "cam.toml"),
        ("tile", here, "--camera", f"{long}.toml", "--site", "s", "-w", "garden"),
        ("train", f"{long}.toml", "-w", "garden", "--out", "run"),
        ("check", f"{long}.zip"),
        ("pool", "review", long),
    ):
        done = CliRunner().invoke(app, list(map(str, words)))
        assert done.exit_code == 1, (words, done.output, done.exception)
        assert done.stderr.startswith("error: ")
        assert done.stderr.count("\n") <= 4


def test_what_has_no_end_is_no_file(here: Path) -> None:
    """Linux' zero(4): who reads it to the end never comes to one."""
    CliRunner().invoke(app, ["pool", "new", "pool"])
    for words in (
        ("pool", "add", "pool", "/dev/zero", "--who", "carla"),
        ("classify", here, "--model", "/dev/zero", "--camera", "cam.toml"),
        ("tile", here, "--camera", "/dev/zero", "--site", "s", "-w", "garden"),
        ("tile", "/dev/zero", "--camera", "cam.toml", "--site", "s", "-w", "garden"),
        ("train", "/dev/zero", "-w", "garden", "--out", "run"),
        ("import", "csv", "/dev/zero", "--looked-for", "CHEAL", "-w", "garden"),
        ("camera", "explain", "/dev/zero"),
    ):
        done = CliRunner().invoke(app, list(map(str, words)))
        assert done.exit_code == 1, (words, done.output, done.exception)
        assert done.stderr.startswith("error: ")
    for words in (("check", "/dev/zero"), ("submit", "/dev/zero", "--to", ".")):
        assert CliRunner().invoke(app, list(words)).exit_code == 3


def test_an_error_steers_no_screen() -> None:
    error = WeedsetError("holds\n\x1b[2J\u202e" + "x" * 5000, where="a\nb\x07", fix="")
    assert str(error).startswith("a?b?: holds\n?[2J?xxx")
    assert len(str(error)) < 1100
    assert str(PhotoError("is ä\n  and b")) == "is ä\n  and b"
