"""Frames with odometry: a line of JSON before each, or a file beside each."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from test_frames import FRAMES, in_pieces

from weedset.board.clock import now_s
from weedset.board.frames import Newest, Shot, read_shot
from weedset.board.steps import Odometry
from weedset.board.streams import Framed, headed
from weedset.errors import PhotoError

CAME_S = 7.0
AT = {"x_mm": 1200.5, "y_mm": -3, "heading_deg": 361}


def sent(data: bytes, **more: object) -> bytes:
    return json.dumps({"length": len(data), **more}).encode() + b"\n" + data


def split(stream: bytes, seed: int = 0) -> list[Framed | str]:
    return [
        it if isinstance(it, Framed) else f"{it.where}: {it.what}"
        for it in headed(in_pieces(stream, seed), lambda: CAME_S)
    ]


@pytest.mark.parametrize("seed", range(3))
def test_frames_come_apart_with_their_odometry(seed: int) -> None:
    stream = sent(FRAMES[0], odometry=AT) + sent(FRAMES[1]) + sent(FRAMES[2], odometry=None)
    assert split(stream, seed) == [
        Framed(FRAMES[0], CAME_S, Odometry(1200.5, -3, 361)),
        Framed(FRAMES[1], CAME_S),
        Framed(FRAMES[2], CAME_S),
    ]


@pytest.mark.parametrize(
    ("odometry", "what"),
    [
        ({"x_mm": 1, "y_mm": 2}, "odometry.heading_deg: is missing"),
        ({**AT, "x_mm": "far"}, "odometry.x_mm: should be a number"),
        ({**AT, "x_mm": float("nan")}, "odometry.x_mm: should be a number"),
        ({**AT, "x_mm": 1e12}, "odometry.x_mm: is 1e+12"),
        ({**AT, "z_mm": 1}, "odometry.z_mm: is not a known field"),
        ([1, 2, 3], "odometry: should be a table"),
    ],
)
def test_bad_odometry_costs_its_frame_only(odometry: object, what: str) -> None:
    bad, good = split(sent(FRAMES[0], odometry=odometry) + sent(FRAMES[1]))
    assert what in str(bad)
    assert good == Framed(FRAMES[1], CAME_S)


def test_a_frame_is_as_old_as_it_says_itself() -> None:
    told, untold = split(sent(FRAMES[0], taken_boottime_s=3.5) + sent(FRAMES[1]))
    assert told == Framed(FRAMES[0], 3.5)
    assert untold == Framed(FRAMES[1], CAME_S)
    for wrong in (-1, "now", float("nan"), [1]):
        (bad,) = split(sent(FRAMES[0], taken_boottime_s=wrong))
        assert "taken_boottime_s: " in str(bad)


@pytest.mark.parametrize(
    "header", [b"{}\n", b'{"length": 0}\n', b'{"length": 1e12}\n', b"\xff\xd8\xff\n", b"x" * 5000]
)
def test_a_header_without_a_length_ends_the_stream(header: bytes) -> None:
    with pytest.raises(PhotoError):
        split(header + sent(FRAMES[0]))


@pytest.mark.parametrize("cut", [3, 30, 200])
def test_the_end_within_a_frame_or_header_is_told(cut: int) -> None:
    assert split(sent(FRAMES[0])[:cut]) == [": is cut off by the end of the stream"]


def test_the_newest_keeps_its_odometry_and_names_what_is_wrong() -> None:
    (shot,) = Newest(headed(in_pieces(sent(FRAMES[0], odometry=AT))))
    assert isinstance(shot, Shot)
    assert shot.odometry == Odometry(1200.5, -3, 361)
    (bad,) = Newest(headed(in_pieces(sent(FRAMES[0], odometry=[]))))
    assert isinstance(bad, PhotoError)
    assert bad.where == "frame 1"  # which a program reads as the name of the photo
    assert "odometry" in bad.what


def test_a_file_beside_a_photo_tells_its_odometry(tmp_path: Path) -> None:
    photo, beside = tmp_path / "7.jpg", tmp_path / "7.json"
    photo.write_bytes(FRAMES[0])
    assert read_shot(photo).odometry is None
    beside.write_text(json.dumps({"odometry": AT}))
    shot = read_shot(photo)
    assert shot.odometry == Odometry(1200.5, -3, 361)
    assert 0 <= now_s() - shot.taken_s < 60
    for damaged in ('{"odometry": {}}', "{", "\0"):
        beside.write_text(damaged)
        with pytest.raises(PhotoError) as caught:
            read_shot(photo)
        assert caught.value.where.startswith(str(beside))
