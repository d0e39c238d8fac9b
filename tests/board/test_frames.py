"""Frames come out of streams and folders whole, newest first, or not at all."""

from __future__ import annotations

import io
import os
import random
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from time import CLOCK_BOOTTIME, clock_gettime, sleep, time

import numpy as np
import pytest
from PIL import Image

from weedset.board import streams
from weedset.board.clock import now_s
from weedset.board.frames import Newest, Shot, WatchedFolder, read_shot
from weedset.board.rollinglog import RollingLog
from weedset.board.streams import Framed, Incoming, Read, concatenated_jpegs, length_prefixed
from weedset.errors import PhotoError


def jpeg(seed: int, **how: object) -> bytes:
    """A JPEG by libjpeg (through Pillow), with a thumbnail in its EXIF: a JPEG within."""
    rng = np.random.default_rng(seed)
    image = Image.fromarray(rng.integers(0, 256, (40, 56, 3), dtype=np.uint8))
    buffer, small = io.BytesIO(), io.BytesIO()
    image.resize((16, 12)).save(small, "JPEG")
    image.save(buffer, "JPEG", exif=b"Exif\0\0" + small.getvalue(), **how)  # type: ignore[arg-type]
    return buffer.getvalue()


FRAMES = [
    jpeg(1, quality=95),
    jpeg(2, progressive=True),
    jpeg(3, restart_marker_blocks=2),
    jpeg(4, quality=30, optimize=True),
]


def in_pieces(data: bytes, seed: int = 0) -> Read:
    """Read as a pipe does: in pieces of any length."""
    rng, stream = random.Random(seed), io.BytesIO(data)
    return lambda most: stream.read(rng.randint(1, min(most, 700)))


def split(read: Read, how: object = concatenated_jpegs) -> list[bytes | str]:
    found: Iterator[Framed | PhotoError] = how(read)  # type: ignore[operator]
    return [item.data if isinstance(item, Framed) else item.what for item in found]


@pytest.mark.parametrize("seed", range(5))
def test_concatenated_jpegs_come_apart_as_libjpeg_wrote_them(seed: int) -> None:
    assert split(in_pieces(b"".join(FRAMES), seed)) == FRAMES
    assert split(in_pieces(b"\r\n--x\xff\xd8\r\n".join([b"", *FRAMES]), seed)) == FRAMES


@pytest.mark.parametrize("cut", [5, 300, 900, -2])
def test_a_cut_frame_costs_only_itself(cut: int) -> None:
    first, bad, *rest = FRAMES
    found = split(in_pieces(first + bad[:cut] + b"".join(rest)))
    assert found[0] == first
    assert found[-1] == rest[-1]
    assert "is a damaged frame" in found
    # Cut within its EXIF it can take the head of the next with it, and lay bare the small
    # picture in there: a frame of another size, on which `Eye.frame` never acts.
    whole = [item for item in found if isinstance(item, bytes)]
    assert all(any(item in frame for frame in FRAMES) for item in whole)


def test_the_end_of_the_stream_within_a_frame_is_told() -> None:
    assert split(in_pieces(FRAMES[0] + FRAMES[1][:-1])) == [
        FRAMES[0],
        "is cut off by the end of the stream",
    ]
    assert split(in_pieces(b"")) == split(in_pieces(b"no picture anywhere")) == []


def test_noise_is_no_frame() -> None:
    noise = random.Random(1).randbytes(300_000)
    assert all(isinstance(item, str) for item in split(in_pieces(noise)))


def test_length_prefixed_frames() -> None:
    data = b"".join(len(frame).to_bytes(4, "big") + frame for frame in FRAMES)
    assert split(in_pieces(data), length_prefixed) == FRAMES
    assert split(in_pieces(data[:-1]), length_prefixed)[-1] == "is cut off by the end of the stream"
    with pytest.raises(PhotoError, match="no frame"):
        split(in_pieces(b"\xff" * 50), length_prefixed)


def test_only_the_newest_frame_waits() -> None:
    newest = Newest(Framed(frame, now_s()) for frame in FRAMES)
    sleep(0.3)  # all four have come before anyone asked
    (shot,) = newest
    assert isinstance(shot, Shot)
    assert (shot.name, shot.data, newest.dropped) == ("frame 4", FRAMES[3], 3)
    assert 0.2 < now_s() - shot.taken_s < 60


def test_a_photo_in_a_watched_folder_is_taken_once_whole(tmp_path: Path) -> None:
    (tmp_path / "old.jpg").write_bytes(FRAMES[0])
    watched = WatchedFolder(tmp_path)
    assert watched.newest() is None
    path = tmp_path / "new.jpg"
    for size in (0, 10, 700, 1500):  # written bit by bit: never taken
        path.write_bytes(FRAMES[1][:size])
        assert watched.newest() is None
    path.write_bytes(FRAMES[1])
    found = [watched.newest() for _ in range(4)]
    assert found == [None, path, None, None]
    assert read_shot(path).data == FRAMES[1]
    (tmp_path / "part.tmp").write_bytes(FRAMES[2])  # written aside and renamed
    (tmp_path / ".hidden.jpg").write_bytes(FRAMES[2])
    assert watched.newest() is None
    (tmp_path / "part.tmp").rename(tmp_path / "renamed.jpg")
    assert [watched.newest() for _ in range(3)] == [None, tmp_path / "renamed.jpg", None]


def test_of_many_photos_the_newest_is_taken_and_a_changed_one_again(tmp_path: Path) -> None:
    watched = WatchedFolder(tmp_path)
    for number in range(3):
        path = tmp_path / f"{number}.jpg"
        path.write_bytes(FRAMES[number])
        os.utime(path, (1e9 - number, 1e9 - number))
    assert [watched.newest() for _ in range(3)] == [None, tmp_path / "0.jpg", None]
    (tmp_path / "2.jpg").write_bytes(FRAMES[3])
    assert [watched.newest() for _ in range(3)] == [None, tmp_path / "2.jpg", None]


def test_a_folder_that_goes_away_for_a_while_stops_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    watched = WatchedFolder(folder)
    folder.rmdir()
    assert watched.newest() is None
    folder.mkdir()
    (folder / "a.jpg").write_bytes(FRAMES[0])
    assert [watched.newest() for _ in range(2)] == [None, folder / "a.jpg"]


def test_a_link_to_nothing_or_a_folder_hides_no_photo(tmp_path: Path) -> None:
    watched = WatchedFolder(tmp_path)
    (tmp_path / "broken.jpg").symlink_to(tmp_path / "absent.jpg")
    (tmp_path / "a.jpg").write_bytes(FRAMES[0])
    (tmp_path / "folder.jpg").mkdir()
    os.utime(tmp_path / "folder.jpg", (time() + 9, time() + 9))
    assert [watched.newest() for _ in range(3)] == [None, tmp_path / "a.jpg", None]


def test_a_shot_is_as_old_as_its_file(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(FRAMES[0])
    os.utime(path, (time() - 100, time() - 100))
    assert now_s() - read_shot(path).taken_s == pytest.approx(100, abs=5)
    with pytest.raises(PhotoError, match="cannot be read"):
        read_shot(tmp_path / "absent.jpg")


def test_a_log_rolls_and_keeps_no_more_than_it_may(tmp_path: Path) -> None:
    log = RollingLog(tmp_path / "log", most_bytes=100, keep=2)
    for number in range(50):
        log.write([f"line {number:3}", "of two"])
    files = sorted(path.name for path in tmp_path.iterdir())
    assert files == ["log", "log.1", "log.2"]
    assert all((tmp_path / name).stat().st_size <= 100 for name in files)
    text = "".join((tmp_path / name).read_text() for name in ("log.2", "log.1", "log"))
    assert text.endswith("line  48\nof two\nline  49\nof two\n")
    numbers = [int(line[5:]) for line in text.splitlines() if line.startswith("line")]
    assert numbers == list(range(numbers[0], 50))


def test_a_log_mends_half_a_line_that_a_killed_process_left(tmp_path: Path) -> None:
    (tmp_path / "log").write_text("whole\nha")
    RollingLog(tmp_path / "log", 1000).write(["next"])
    assert (tmp_path / "log").read_text() == "whole\nha\nnext\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full of Linux")
def test_a_full_disk_is_told_and_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "log").symlink_to("/dev/full")
    log = RollingLog(tmp_path / "log", 1000)
    log.write(["line"])
    assert log.fault == f"{tmp_path / 'log'}: cannot be written (No space left on device)"


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_the_clock_of_frames_counts_suspension_too() -> None:
    """Reference: clock_gettime(2), CLOCK_BOOTTIME; a process begins when it was started."""
    assert abs(now_s() - clock_gettime(CLOCK_BOOTTIME)) < 60
    code = "import time; time.sleep(0.3); from weedset.board.clock import *; print(started_s())"
    before_s = clock_gettime(CLOCK_BOOTTIME)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    after_s = clock_gettime(CLOCK_BOOTTIME)
    assert before_s - 0.05 <= float(done.stdout) <= after_s - 0.3  # ticks of a hundredth


def test_what_has_queued_up_is_as_old_as_it_may_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe that is read again after an hour, and a writer that has more to hand on."""
    clock, (out, into) = Clock(), os.pipe()
    monkeypatch.setattr(streams, "now_s", clock)
    monkeypatch.setattr(streams, "started_s", lambda: 90.0)
    incoming = Incoming(out)
    found = concatenated_jpegs(incoming.read, lambda: incoming.empty_s)

    def taken_s(frame: bytes, *, while_waiting: bool) -> float:
        if while_waiting:
            with monkeypatch.context() as patched:  # it comes while nothing was there
                patched.setattr(streams.select, "select", arriving(into, frame))
                item = next(found)
        else:
            os.write(into, frame)
            item = next(found)
        assert isinstance(item, Framed)
        assert item.data == frame
        return item.taken_s

    # What lay there when it began may be as old as the process.
    assert taken_s(FRAMES[0], while_waiting=False) == 90
    clock.now = 100.5
    assert taken_s(FRAMES[1], while_waiting=True) == 100.5
    clock.now = 100.6  # lies there before anyone looks: as old as the last look may be
    assert taken_s(FRAMES[2], while_waiting=False) == 100.5
    clock.now = 100.7
    assert taken_s(FRAMES[1], while_waiting=True) == 100.7
    clock.now += 3600  # stopped
    assert taken_s(FRAMES[3], while_waiting=False) == 100.7
    assert taken_s(FRAMES[0], while_waiting=True) == 100.7  # the writer's own queue
    clock.now += 0.5
    assert taken_s(FRAMES[1], while_waiting=True) == 100.7
    clock.now += 0.6
    assert taken_s(FRAMES[2], while_waiting=True) == clock.now
    os.close(into)
    assert list(found) == []
    os.close(out)


def arriving(into: int, data: bytes) -> object:
    """Return a select that finds nothing at first; then `data` is there."""
    looks = 0

    def look(*_asked: object) -> tuple[list[int], list[int], list[int]]:
        nonlocal looks
        looks += 1
        if looks == 2:
            os.write(into, data)
        return ([], [], []) if looks == 1 else ([1], [], [])

    return look


def test_a_frame_is_as_old_as_its_first_byte() -> None:
    """Its rest comes after a stop, together with the next: chunks begin and end anywhere."""
    whole = FRAMES[0] + FRAMES[1] + FRAMES[2]
    pieces = [(whole[:500], 1.0), (whole[500 : len(FRAMES[0]) + 20], 50.0),
              (whole[len(FRAMES[0]) + 20 :], 60.0)]  # fmt: skip
    at = iter(pieces)
    now = [0.0]

    def read(_most: int) -> bytes:
        data, now[0] = next(at, (b"", 0.0))
        return data

    found = list(concatenated_jpegs(read, lambda: now[0]))
    assert found == [Framed(FRAMES[0], 1), Framed(FRAMES[1], 50), Framed(FRAMES[2], 60)]
