"""What a board should do by published figures, what it did, and the table of both."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from tiny_model import CARD, camera, write_model

from weedset.board.eye import Eye
from weedset.board.fitness import Fitness, check_board, fitness_lines
from weedset.board.machine import Machine, read_machine
from weedset.board.measurement import check_record, read_measurement
from weedset.board.model import open_model
from weedset.board.speeds import Work, expected, expected_on, speeds
from weedset.board.speedtable import main, speed_table
from weedset.errors import MeasurementError

ROOT = Path(__file__).parents[2]
MEASURED = sorted(str(path) for path in (ROOT / "measurements").glob("*.json"))
A53, A72, A76 = speeds().processors

#: As Linux writes it on a board: with what must never get out.
CPUINFO = (
    "processor\t: {}\nBogoMIPS\t: 38.40\nCPU implementer\t: 0x41\nCPU architecture: 8\n"
    "CPU variant\t: 0x0\nCPU part\t: 0xd03\nCPU revision\t: 4\n\n"
)
SECRETS = "Serial\t\t: 00000000deadbeef\nModel\t\t: Somebody's Board Rev 1.2\n"


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """The files of a system of four Cortex-A53 at 1 GHz, 512 MB."""
    cpus = tmp_path / "sys/devices/system/cpu/cpu0/cpufreq"
    cpus.mkdir(parents=True)
    for name in ("scaling_cur_freq", "cpuinfo_max_freq"):
        (cpus / name).write_text("1000000\n")
    (tmp_path / "proc").mkdir()
    (tmp_path / "proc/cpuinfo").write_text("".join(map(CPUINFO.format, range(4))) + SECRETS)
    (tmp_path / "proc/meminfo").write_text("MemTotal:         512000 kB\nMemFree: 1 kB\n")
    return tmp_path


@pytest.fixture
def found(board: Path) -> Fitness:
    model = open_model(write_model(board / "m.onnx", replace(CARD, mmac=12.9)), threads=4)
    return check_board(Eye(model, replace(camera(), width_px=400, height_px=300)), None, 0, board)


def test_the_band_by_hand() -> None:
    """1 GMAC: 2.5 x 1.8 x 2 GMAC/s at best, 2.1 x 1.2 / 3 at worst; and no pixels."""
    band = expected(A53, Work(100, 10.0, 0), 1000, 4)
    assert band.least_ms == pytest.approx(1000 / 9.0)
    assert band.most_ms == pytest.approx(1000 / 0.84)
    # A megapixel alone: at 0.5 to 1 instructions per clock of 1 GHz.
    band = expected(A53, Work(0, 10.0, 1.0), 1000, 4)
    assert band.least_ms == pytest.approx(speeds().rest_per_megapixel)
    assert band.most_ms == pytest.approx(2 * speeds().rest_per_megapixel)


@pytest.mark.parametrize(
    ("board", "clock_mhz", "float_ms", "int8_ms"), [(A53, 1400, 79, 30), (A72, 1500, 46, 17)]
)
def test_what_another_project_measured_lies_in_the_band(
    board: object, clock_mhz: float, float_ms: float, int8_ms: float
) -> None:
    # README of XNNPACK: MobileNetV2 in float and int8 on four cores; the clock of the A72 is
    # from memory. 300 M multiply-adds: Sandler et al. 2018, table 4.
    band = expected(board, Work(1, 300, 0), clock_mhz, 4)  # type: ignore[arg-type]
    assert band.least_ms < int8_ms < band.most_ms
    plain = replace(board, int8_gain=(1.0, 1.0))  # type: ignore[type-var]
    assert expected(plain, Work(1, 300, 0), clock_mhz, 4).about_ms == pytest.approx(  # type: ignore[arg-type]
        float_ms, rel=0.5
    )


def test_counted_instructions_bear_the_published_speed_out() -> None:
    """The net's instructions at 0.5 to 1 per clock of four cores lie in the band."""
    data = json.loads((ROOT / "weedset/data/board-instructions.json").read_text())
    model = data["million_instructions_per_photo"]["bare model"]
    band = expected(A53, Work(130, 12.9, 0), 1000, 4)
    assert band.least_ms < model / 4 < 2 * model / 4 < band.most_ms


def test_speed_goes_with_clock_and_cores() -> None:
    work, board = Work(100, 10.0, 0), Machine("Cortex-A72", 4, 1800, 1000, 64)
    whole, half = (expected_on(board, threads, work) for threads in (4, 2))
    slow = expected_on(replace(board, clock_mhz=900), 4, work)
    more = expected_on(board, 8, work)
    assert whole is not None
    assert half is not None
    assert half.about_ms == pytest.approx(2 * whole.about_ms)
    assert half == slow
    assert more == whole
    assert expected_on(replace(board, processor="Cortex-A99"), 4, work) is None


def test_a_system_is_read(board: Path, tmp_path: Path) -> None:
    assert read_machine(board) == Machine("Cortex-A53", 4, 1000, 512, 64)
    (board / "proc/cpuinfo").write_text(
        "processor: 0\nmodel name\t: Fast\x07 CPU\ncpu MHz : 2500.4"
    )
    (board / "sys/devices/system/cpu/cpu0/cpufreq/cpuinfo_max_freq").unlink()
    assert read_machine(board) == Machine("Fast CPU", 1, 2500, 512, 64)
    assert read_machine(tmp_path / "absent").cores >= 1


def test_a_check_tells_what_was_to_be_expected(found: Fitness, board: Path) -> None:
    assert found.expected == expected_on(read_machine(board), 4, Work(12, 12.9, 0.12))
    said = "\n".join(fitness_lines(found))
    assert "4x Cortex-A53, 1000 MHz, 4 at work: to be expected are about" in said
    assert "no figures are published" in "\n".join(fitness_lines(replace(found, expected=None)))
    unknown = replace(found, expected=None, model_mmac=None)
    assert "does not say how much work" in "\n".join(fitness_lines(unknown))


def test_a_record_can_be_read_again_and_gives_nobody_away(found: Fitness) -> None:
    text = json.dumps(check_record(found))
    assert read_measurement(text, "my-board.json") == found
    for secret in ("deadbeef", "Somebody", str(Path.home()), "/tmp", "made-up"):
        assert secret not in text
    bare = replace(found, expected=None, model_mmac=None, hottest_c=None)
    bare = replace(bare, machine=replace(found.machine, clock_mhz=None, memory_mb=None))
    assert read_measurement(json.dumps(check_record(bare)), "my-board.json") == bare


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"schema": 2}, "schema"),
        ({"record": "photo"}, "record"),
        ({"photo_ms": "fast"}, "photo_ms"),
        ({"photo_ms": float("nan")}, "photo_ms"),
        ({"host": "my-name"}, "host"),
        ({"cells": None}, "cells"),
        ({"model_digest": "x" * 64}, "model_digest"),
        ({"machine": {"processor": "x\ny"}}, "machine.processor"),
        ({"versions": {"numpy": "2" * 1000}}, "versions.numpy"),
    ],
)
def test_what_is_wrong_with_a_record_is_named(
    found: Fitness, change: dict[str, object], field: str
) -> None:
    text = json.dumps({**check_record(found), **change})
    with pytest.raises(MeasurementError) as caught:
        read_measurement(text, "my-board.json")
    assert caught.value.where == f"my-board.json: {field}"


def test_a_measured_board_stands_in_both_tables(found: Fitness) -> None:
    one = replace(found, cells=130, width_px=2592, height_px=1944, photo_ms=777.4)
    rows = speed_table([one]).splitlines()
    assert rows[2].endswith("| 777 |")
    assert "| 4x Cortex-A53, 1.0 GHz, 64 bits | 4 | 512 MB | 12.9 |" in rows[-1]
    for other in (replace(one, threads=1), replace(one, model_mmac=None), replace(one, cells=1)):
        assert speed_table([other]).splitlines()[2].endswith("| nobody yet |")
    rude = replace(one, machine=replace(found.machine, processor="a|b`<script>"))
    assert "4x abscript," in speed_table([rude])


def test_measurements_and_the_table_in_the_docs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(MEASURED) == 0
    table = capsys.readouterr().out
    text = (ROOT / "docs" / "board.md").read_text("utf-8")
    shown = re.search(r"<!-- speeds: .*?-->\n\n(.*?)\n<!-- end of speeds", text, re.DOTALL)
    assert shown is not None
    assert shown[1] == table


def test_a_measurement_that_cannot_be_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bad.json").write_text("{}")
    assert main([str(tmp_path / "bad.json")]) == 1
    assert main([str(tmp_path / "absent.json")]) == 1
    assert "record" in capsys.readouterr().err
