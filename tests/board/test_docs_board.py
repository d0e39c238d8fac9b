"""docs/board.md: the commands shown run as they are written."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tiny_model import write_model

from weedset.board.measurement import read_measurement

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "board.md").read_text("utf-8")
LINES = [
    line
    for block in re.findall(r"^```\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)
    for line in block.splitlines()
]
SHORT = (
    (" check ", " check --seconds 0 "),
    (" --seconds 600", ""),
    ("measurements/*.json", str(ROOT / "measurements") + "/*.json"),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a reader: a model, a camera, a policy, photos and a camera program."""
    folder = tmp_path_factory.mktemp("reader")
    write_model(folder / "small.onnx")
    (folder / "camera.toml").write_text(
        'name = "c"\nheight_mm = 1000\n[lens]\nfocal_length_mm = 4\npixel_pitch_um = 2\n'
        "[image]\nwidth_px = 400\nheight_px = 300\n"
    )
    (folder / "beds.toml").write_text('name = "beds"\nremove = ["CHEAL"]\n')
    reds = np.random.default_rng(1).integers(-2, 8, (300, 400, 3)) + np.array((248, 2, 2))
    Image.fromarray(reds.clip(0, 255).astype(np.uint8)).save(folder / "photo.jpg", quality=98)
    for name in ("photos", "incoming"):
        (folder / name).mkdir()
        shutil.copy(folder / "photo.jpg", folder / name)
    (folder / "bin").mkdir()
    program = folder / "bin" / "camera-program"
    program.write_text("#!/bin/sh\nexec cat photo.jpg\n")
    program.chmod(0o755)
    return folder


def test_there_are_commands() -> None:
    assert len(LINES) >= 6
    assert all("python -m weedset.board" in line for line in LINES)


@pytest.mark.parametrize("line", LINES)
def test_a_command_runs_as_written(folder: Path, line: str) -> None:
    for long, short in SHORT:
        line = line.replace(long, short)
    places = (str(folder / "bin"), str(Path(sys.executable).parent), os.environ["PATH"])
    here = {**os.environ, "PATH": os.pathsep.join(places), "PYTHONPATH": str(ROOT)}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "encoding": "utf-8"}
    with subprocess.Popen(
        line, shell=True, cwd=folder, env=here, start_new_session=True, **pipes
    ) as run:  # type: ignore[call-overload]
        if "--watch" in line:
            assert run.stderr is not None
            assert run.stderr.readline().startswith("Watching")
            os.killpg(run.pid, signal.SIGINT)
        out, talk = run.communicate(timeout=60)
    if "--watch" in line:
        assert talk.startswith("Stopped.")
        return
    assert run.returncode == 0, talk
    assert out or ">" in line
    if "my-board.json" in line:
        read_measurement((folder / "my-board.json").read_text(), "my-board.json")
