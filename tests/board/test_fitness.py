"""`check` measures the very work, and warns of heat, slowness and 32 bits."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tiny_model import camera, write_model

from weedset.board.__main__ import main
from weedset.board.eye import Eye
from weedset.board.fitness import (
    bits_warning,
    check_board,
    fitness_lines,
    heat_warnings,
    highest_speed_mm_per_s,
)
from weedset.board.gate import Gate
from weedset.board.guards import Guards
from weedset.board.model import open_model
from weedset.records import GroundGrid


@pytest.fixture
def eye(tmp_path: Path) -> Eye:
    small = replace(camera(), width_px=800, height_px=600)
    return Eye(open_model(write_model(tmp_path / "m.onnx")), small, gate=Gate(0.01))


def system(folder: Path, temperatures: list[str], now_khz: str, most_khz: str) -> Path:
    """The files of a Linux system (kernel documentation: thermal sysfs, cpufreq sysfs)."""
    for number, text in enumerate(temperatures):
        zone = folder / f"sys/class/thermal/thermal_zone{number}"
        zone.mkdir(parents=True)
        (zone / "temp").write_text(text)
    clocks = folder / "sys/devices/system/cpu/cpu0/cpufreq"
    clocks.mkdir(parents=True)
    (clocks / "scaling_cur_freq").write_text(now_khz)
    (clocks / "cpuinfo_max_freq").write_text(most_khz)
    return folder


def test_highest_speed_by_hand() -> None:
    """10 rows of 50 mm, a fifth of overlap, half a second a photo: 400 mm in 0.5 s."""
    assert highest_speed_mm_per_s(GroundGrid(50, 10, 13, 0, 0), 500) == pytest.approx(800)


@pytest.mark.parametrize("more_mb", [0, 300])
def test_memory_is_that_of_the_process_itself(more_mb: int) -> None:
    """Whatever started it held, and what it takes itself is told: 300 million bytes, by hand."""
    held = np.ones(300_000_000, np.uint8)
    own = (
        "import numpy as np; from weedset.board.fitness import _peak_mb; before = _peak_mb(); "
        f"held = np.ones({more_mb}_000_000, np.uint8); print(before, _peak_mb() - before)"
    )
    done = subprocess.run([sys.executable, "-c", own], capture_output=True, check=True)
    before_mb, taken_mb = map(float, done.stdout.split())
    assert before_mb < 200 < held.nbytes / 1e6
    assert taken_mb == pytest.approx(more_mb, abs=5)


def test_making_up_a_photo_takes_less_memory_than_deciding_on_one(tmp_path: Path) -> None:
    """A picture of 5 megapixels in Pillow, 4 bytes a pixel: 20 MB, and strips beside it."""
    made = (
        "from pathlib import Path; from weedset.board.fitness import _peak_mb, made_up_photo; "
        f"path = Path({str(tmp_path)!r}) / 'made.jpg'; "
        "made_up_photo(16, 16, path); before = _peak_mb(); "
        "made_up_photo(2592, 1944, path); print(_peak_mb() - before)"
    )
    done = subprocess.run([sys.executable, "-c", made], capture_output=True, check=True)
    assert float(done.stdout) < 35


def test_a_cool_board_is_measured_part_by_part(eye: Eye, tmp_path: Path) -> None:
    cool = system(tmp_path / "root", ["45000\n", "junk"], "1000000\n", "1000000\n")
    found = check_board(eye, None, 0, cool)
    assert (found.photos, found.cells, found.fit) == (6, 48, True)
    parts = {"decode", "resample", "gate", "classify", "decide", "guard"}
    assert found.parts_ms.keys() == parts
    assert all(ms > 0 for ms in found.parts_ms.values())
    assert found.photos_per_s == pytest.approx(1000 / found.photo_ms)
    assert found.most_mm_per_s == pytest.approx(0.8 * 6 * 50 * found.photos_per_s)
    assert found.peak_mb > 20
    assert found.hottest_c == 45
    assert not [text for text in found.warnings if "slowed" not in text]
    assert fitness_lines(found)[-1] == "This board is fit."


def test_a_hot_and_throttled_board_is_warned_of(eye: Eye, tmp_path: Path) -> None:
    hot = system(tmp_path / "root", ["45000", "81500"], "600000", "1000000")
    warnings = check_board(eye, None, 0, hot).warnings
    assert "it is 82 degrees C hot: give it a heat sink and shade" in warnings
    assert any(text.startswith("its clock runs at 600 of 1000 MHz") for text in warnings)


def test_a_board_that_slows_down_is_warned_of() -> None:
    assert heat_warnings([100] * 9, None, None) == []
    (warning,) = heat_warnings([100] * 3 + [110] * 3 + [130] * 3, None, None)
    assert warning.startswith("it slowed down from 100 to 130 ms")


def test_32_bits_are_warned_of() -> None:
    assert bits_warning(64) == []
    assert "64-bit" in bits_warning(32)[0]


def test_too_slow_for_decisions_in_time_is_not_fit(eye: Eye, tmp_path: Path) -> None:
    eye.guards = Guards(stale_after_ms=0.001)
    found = check_board(eye, None, 0, tmp_path)
    assert not found.fit
    assert found.hottest_c is None
    assert fitness_lines(found)[-1].startswith("This board is NOT fit")


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_model(tmp_path / "m.onnx")
    (tmp_path / "c.toml").write_text(
        'name = "c"\nheight_mm = 1000\n[lens]\nfocal_length_mm = 4\npixel_pitch_um = 2\n'
        "[image]\nwidth_px = 400\nheight_px = 300\n"
    )
    asked = ["check", "--model", str(tmp_path / "m.onnx"), "--camera", str(tmp_path / "c.toml")]
    assert main([*asked, "--seconds", "0", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert (record["record"], record["cells"], record["fit"]) == ("check", 12, True)
    assert main([*asked, "--seconds", "0"]) == 0
    assert "photos per second" in capsys.readouterr().out
    assert main([*asked, "--seconds", "0", "--stale-after", "0"]) == 3
    assert main(["check", str(tmp_path / "absent.jpg"), *asked[1:]]) == 1
