"""What was treated is on the disk before a tool moves, and no damage to the file is believed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from simulated_drives import CARE

from weedset.board.drives.drivemap import DriveMap, Plant, State
from weedset.board.drives.treatedlog import read_treated, write_treated
from weedset.board.steps import Drift, Pose
from weedset.errors import DriveError

NOW = DriveMap(pose=Pose(1500.0, -20.0, 0.1))


def plant(number: int) -> Plant:
    return Plant(number, 100.0 * number, 5.0, 4.0, 3.0, 12.0, Drift(), 1.0)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "treated.jsonl"
    for number in (3, 7):
        write_treated(path, plant(number), 3.6, NOW)
    return path


def test_a_file_that_is_not_there_is_a_new_drive(tmp_path: Path) -> None:
    assert read_treated(tmp_path / "none.jsonl") == DriveMap()


@pytest.mark.parametrize("there", [False, True])
def test_a_list_that_cannot_be_written_is_told_before_the_drive(
    file: Path, monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    """An SD card that became read-only, say; root may write what its mode forbids."""
    path = file if there else file.with_name("new.jsonl")
    asked = []
    monkeypatch.setattr(os, "access", lambda *about: asked.append(about))
    with pytest.raises(DriveError, match="cannot be written"):
        read_treated(path)
    assert asked == [(path if there else path.parent, os.W_OK)]


def test_what_was_written_is_read_and_the_machine_is_nowhere(file: Path) -> None:
    found = read_treated(file)
    assert [(it.id, it.x_mm, it.radius_mm, it.state) for it in found.plants] == [
        (3, 300, 12, State.TREATED),
        (7, 700, 12, State.TREATED),
    ]
    assert found.plants[0].random_mm2 == pytest.approx(3.6**2)
    assert found.next_id == 8
    assert found.pose.x_mm == 1500
    assert found.pose.heading_rad == pytest.approx(0.1, abs=1e-4)
    assert "nobody knows" in str(found.adrift)
    assert CARE.horizon_mm > 0


def test_each_line_is_synced_before_it_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    path = tmp_path / "t"
    monkeypatch.setattr(os, "fsync", lambda fd: synced.append(os.fstat(fd).st_size))
    write_treated(path, plant(1), 3, NOW)
    write_treated(path, plant(2), 3, NOW)
    assert synced[0] < path.stat().st_size == synced[-1]


@pytest.mark.parametrize("cut", [1, 5, 60])
def test_half_a_last_line_is_none(file: Path, cut: int) -> None:
    """The power went while it was written, so the tool had not moved."""
    whole = file.read_bytes()
    file.write_bytes(whole[:-cut])
    assert [it.id for it in read_treated(file).plants] == [3]
    write_treated(file, plant(9), 3, NOW)
    assert [it.id for it in read_treated(file).plants] == [3, 9]


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("nothing\n", "line 1"),
        ('{"record": "photo"}\n', ""),
        ('{"record": "drive", "version": 2}\n', ""),
        ('{"record": "drive", "version": 1}\n{"record": "treated", "id": 1}\n', "line 2: x_mm"),
        ('{"record": "drive", "version": 1}\n{"record": "other"}\n', "line 2: record"),
        ("[1]\n", "line 1"),
    ],
)
def test_damage_stops_the_drive_before_it_begins(tmp_path: Path, text: str, where: str) -> None:
    path = tmp_path / "t"
    path.write_text(text)
    with pytest.raises(DriveError) as caught:
        read_treated(path)
    assert caught.value.where.startswith(str(path))
    assert where in caught.value.where


def test_what_is_no_text_or_no_file(tmp_path: Path) -> None:
    (tmp_path / "t").write_bytes(b"\xff\xfe\n")
    with pytest.raises(DriveError, match="UTF-8"):
        read_treated(tmp_path / "t")
    with pytest.raises(DriveError, match="cannot be read"):
        read_treated(tmp_path)
    with pytest.raises(DriveError, match="no such folder"):  # at the start, not at the first weed
        read_treated(tmp_path / "no" / "t")
    with pytest.raises(DriveError, match="cannot be written"):
        write_treated(tmp_path / "no" / "t", plant(1), 3, NOW)


def test_a_full_disk_leaves_the_file_as_it_was(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = file.read_bytes()

    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(DriveError, match="No space left"):
        write_treated(file, plant(9), 3, NOW)
    assert file.read_bytes() == before
