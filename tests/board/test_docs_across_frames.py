"""docs/machines.md, what it shows across frames: the commands and the worked example run."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from time import sleep

import numpy as np
import pytest
from drawn_drive import PROFILE, SITE, drawn_drive, write_drawn_model
from test_drawn_drive import jpeg

from sample_data.drives import Stop, Strip, seen_from

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "docs" / "machines.md").read_text("utf-8")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_drawn_model(tmp_path / "small.onnx")
    (tmp_path / "camera.toml").write_text(PROFILE)
    (tmp_path / "beds.toml").write_text('name = "beds"\nremove = ["CHEAL"]\n')
    (tmp_path / "mounting.toml").write_text("x_mm = 0\ny_mm = 0\n")
    (tmp_path / "incoming").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@contextmanager
def shown(what: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run the one command shown that holds `what`, from its python on."""
    (line,) = [line for line in TEXT.splitlines() if what in line and "weedset.board" in line]
    words = shlex.split(line.rpartition(" | ")[2])
    assert words[0] == "python"
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    more = {**pipes, "env": {**os.environ, "PYTHONPATH": str(ROOT)}}
    patient = [sys.executable, *words[1:], "--stale-after", "60000"]  # on a busy computer
    with subprocess.Popen(patient, **more) as run:  # type: ignore[call-overload]
        try:
            yield run
        finally:
            run.kill()


def records(run: subprocess.Popen[bytes]) -> list[dict[str, object]]:
    """Read the records of a frame, up to that of the drive."""
    found: list[dict[str, object]] = []
    while not found or found[-1]["record"] != "drive":
        assert run.stdout is not None
        line = run.stdout.readline()
        assert line, (run.wait(), run.communicate()[1].decode())
        found.append(json.loads(line))
    return found


@pytest.mark.slow
def test_frames_with_headers_as_shown(bench: Path) -> None:
    (header,) = re.findall(r"`(\{\"length\".*?\}\})`", TEXT, re.DOTALL)
    _, frames, _ = drawn_drive()
    with shown("--frames headed") as run:
        assert run.stdin is not None
        data = jpeg(frames[0])
        run.stdin.write(" ".join(header.replace("81234", str(len(data))).split()).encode())
        run.stdin.write(b"\n" + data)
        run.stdin.flush()
        photo, drive = records(run)
        assert (photo["record"], drive["used"]) == ("photo", True)
        run.communicate()
        assert run.returncode == 0


@pytest.mark.slow
def test_a_watched_folder_as_shown(bench: Path) -> None:
    _, frames, wheels = drawn_drive()
    with shown("incoming --watch --drive") as run:
        assert run.stderr is not None
        run.stderr.readline()
        for number in (0, 1):
            at = wheels[number]
            odometry = {"x_mm": at.x_mm, "y_mm": at.y_mm, "heading_deg": at.heading_deg}
            (bench / "incoming" / f"{number}.json").write_text(json.dumps({"odometry": odometry}))
            aside = bench / "incoming" / "aside.part"
            aside.write_bytes(jpeg(frames[number]))
            aside.rename(bench / "incoming" / f"{number}.jpg")
            assert records(run)[-1]["record"] == "drive"
            sleep(0.02)


class Machine:
    """Drives along the drawn bed; what it acts on is gone."""

    def __init__(self, strip: Strip) -> None:
        self._strip, self._route = strip, iter(strip.stops[:7])
        self.stop_at = strip.stops[0]
        self.struck: list[int] = []
        self.did: list[str] = []

    def goes_on(self) -> bool:
        self.stop_at = next(self._route, None) or self.stop_at
        self.did.append("go on")
        return self.did.count("go on") <= 7

    def position(self) -> tuple[float, float, float]:
        return 1.05 * self.stop_at.x_mm, 1.05 * self.stop_at.y_mm, self.stop_at.heading_deg

    def photograph(self) -> np.ndarray:
        self._strip.stops = (*self._strip.stops, self.stop_at)
        return self._strip.frame(len(self._strip.stops) - 1, SITE.sensor)[0]

    def stop(self) -> None:
        self.did.append("stop")

    def move_over(self, x_mm: float, y_mm: float) -> None:
        """Forward only, as machines are."""
        self.did.append("move")
        at = self.stop_at
        self.stop_at = Stop(at.x_mm + x_mm, at.y_mm, at.heading_deg)

    def act(self, x_mm: float, y_mm: float) -> None:
        self.did.append("act")
        here = [seen_from(plant, self.stop_at) for plant in self._strip.plants]
        away = [np.hypot(-plant.y_mm - x_mm, -plant.x_mm - y_mm) for plant in here]
        assert min(away) < 12
        self.struck.append(int(np.argmin(away)))
        # Cut: it lies on the ground, where it can be seen no more.
        gone = replace(self._strip.plants[self.struck[-1]], x_mm=1e6)
        plants = list(self._strip.plants)
        plants[self.struck[-1]] = gone
        self._strip.plants = tuple(plants)

    def call_a_person(self) -> None:
        self.did.append("person")


@pytest.mark.slow
def test_the_worked_example_runs(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # It takes longer to draw a frame than to take one.
    monkeypatch.setattr("weedset.board.eye.stale", lambda age_ms, guards: None)
    strip, _, _ = drawn_drive()
    before = strip.plants, strip.stops
    machine = Machine(strip)
    _, code = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)
    try:
        exec(compile(code, "docs/machines.md", "exec"), {"machine": machine})
    finally:
        plants, (strip.plants, strip.stops) = strip.plants, before
    assert len(machine.struck) == len(set(machine.struck)) >= 2
    assert {before[0][plant].code for plant in machine.struck} <= {"CHEAL", "STEME"}
    assert "person" not in machine.did
    noted = [json.loads(line) for line in Path("bed-3.jsonl").read_text().splitlines()]
    assert len(noted) == 1 + len(machine.struck)
    assert sum(plant.x_mm == 1e6 for plant in plants) == len(machine.struck)
