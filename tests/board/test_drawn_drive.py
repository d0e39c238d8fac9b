"""A drive of drawn frames: pictures, motion, a model's answers, the map; against exact truth."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from drawn_drive import PROFILE, drawn_drive, write_drawn_model
from PIL import Image

from sample_data.drives import seen_from
from weedset.board.clock import now_s
from weedset.board.drives.drive import Drive
from weedset.board.eye import Eye, open_eye
from weedset.board.motion import Motion
from weedset.board.targets import Mounting
from weedset.errors import DriveError, PhotoError

#: Half of the whole cells that a frame shows, in mm ahead and to the side, less a plant's reach.
INSIDE_MM = (100.0, 150.0)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drive")
    write_drawn_model(folder / "small.onnx")
    (folder / "camera.toml").write_text(PROFILE)
    (folder / "beds.toml").write_text('name = "beds"\nremove = ["CHEAL"]\n')
    (folder / "mounting.toml").write_text("x_mm = 0\ny_mm = 0\n")
    return folder


def eye_of(bench: Path) -> Eye:
    return open_eye(bench / "small.onnx", bench / "camera.toml", bench / "beds.toml")


def truth_mm(number: int) -> np.ndarray:
    """Where the plants stand in the machine's frame of a frame, (n, 2)."""
    strip, _, _ = drawn_drive()
    here = [seen_from(plant, strip.stops[number]) for plant in strip.plants]
    return np.array([(-plant.y_mm, -plant.x_mm) for plant in here])


@pytest.mark.slow
@pytest.mark.parametrize("how", ["both", "images"])
def test_a_drawn_drive_against_exact_truth(bench: Path, tmp_path: Path, how: str) -> None:
    """0.3 mm per px, wheels that read 5 % too much: positions, motion, no second treatment."""
    strip, frames, wheels = drawn_drive()
    drive = Drive(eye_of(bench), Mounting(0, 0), tmp_path / "treated.jsonl")
    off_mm, struck, offered, could = [], [], set(), set()
    seen_in: dict[int, int] = {}
    for number, frame in enumerate(frames):
        odometry = wheels[number] if how == "both" else None
        looked = drive.see(frame, f"frame {number}", now_s(), odometry)
        stop, pose, where = strip.stops[number], drive.map.pose, truth_mm(number)
        assert np.hypot(pose.x_mm - stop.x_mm, pose.y_mm - stop.y_mm) < 1 + 0.01 * stop.x_mm
        if number:
            assert isinstance(looked.motion, Motion)
        for plant in np.flatnonzero((np.abs(where) < INSIDE_MM).all(axis=1)).tolist():
            seen_in[plant] = seen_in.get(plant, 0) + 1
            if seen_in[plant] > 1 and strip.plants[plant].code != "LACSA":
                could.add(plant)
        for offer in drive.offers:
            away = np.hypot(*(where - (offer.x_mm, offer.y_mm)).T)
            nearest = int(np.argmin(away))
            assert strip.plants[nearest].code != "LACSA"
            off_mm.append(away[nearest])
            offered.add(nearest)
            if offer.x_mm < -40 and offer.id in [it.id for it in drive.offers]:
                struck.append(nearest)
                drive.take(offer.id)
    print(
        f"{how}: 95 % within {np.percentile(off_mm, 95):.1f} mm; {len(could - offered)} of "
        f"{len(could)} weeds never offered; {len(struck)} treated"
    )
    assert np.percentile(off_mm, 95) < 10
    assert len(struck) == len(set(struck)) >= 8
    assert len(could - offered) <= len(could) / 4


def jpeg(pixels: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=95, subsampling=0)
    return buffer.getvalue()


def command(bench: Path, treated: Path, *more: str) -> list[str]:
    return [
        *(sys.executable, "-m", "weedset.board", "-", "--frames", "headed", "--json"),
        *("--model", str(bench / "small.onnx"), "--camera", str(bench / "camera.toml")),
        *("--policy", str(bench / "beds.toml"), "--stale-after", "60000"),
        *("--drive", str(bench / "mounting.toml"), "--treated", str(treated), *more),
    ]


def run_drive(arguments: list[str], numbers: range) -> list[dict[str, object]]:
    """Run the command over frames with their odometry, each once it has answered the last."""
    _, frames, wheels = drawn_drive()
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    lines: list[dict[str, object]] = []
    told = set[object]()
    with subprocess.Popen(arguments, **pipes) as run:  # type: ignore[call-overload]
        for number in numbers:
            data, at = jpeg(frames[number]), wheels[number]
            odometry = {"x_mm": at.x_mm, "y_mm": at.y_mm, "heading_deg": at.heading_deg}
            header = {"length": len(data), "odometry": odometry}
            run.stdin.write(json.dumps(header).encode() + b"\n" + data)
            run.stdin.flush()
            while not lines or lines[-1]["record"] != "drive" or lines[-1]["photo"] in told:
                line = run.stdout.readline()
                assert line, (run.wait(), run.communicate()[1].decode())
                lines.append(json.loads(line))
            told.add(lines[-1]["photo"])
        run.stdin.close()
        lines += map(json.loads, run.stdout.readlines())  # what is buffered, too
        err = run.stderr.read()
        run.wait()
        assert b"Traceback" not in err
        assert run.returncode == 0, err
    return lines


def treats(lines: list[dict[str, object]]) -> list[object]:
    return [it["id"] for it in lines if it.get("decision") == "treat"]


@pytest.mark.slow
def test_the_command_tells_each_plant_once_and_a_restart_tells_none(
    bench: Path, tmp_path: Path
) -> None:
    treated = tmp_path / "treated.jsonl"
    lines = run_drive(command(bench, treated), range(6))
    ids = treats(lines)
    assert len(ids) == len(set(ids)) >= 3
    noted = [json.loads(line) for line in treated.read_text().splitlines()]
    assert [it["id"] for it in noted[1:]] == ids
    assert not any(it["record"] == "cell" for it in lines)
    heads = [it for it in lines if it["record"] == "drive"]
    assert [it["used"] for it in heads] == [True] * 6
    assert heads[0]["motion"] == "no frame to compare with"

    # The program crashed, and nobody knows how far the machine went since.
    lost = run_drive(command(bench, treated), range(4, 7))
    assert treats(lost) == []
    assert all("nobody knows" in str(it["why_not"]) for it in lost if it["record"] == "drive")

    # Someone does: frame 4 is where the drive's third step led.
    there = heads[4]
    anchor = ["--anchor", *(str(there[name]) for name in ("x_mm", "y_mm", "heading_deg")), "3", "1"]
    more = run_drive(command(bench, treated, *anchor), range(4, 9))
    strip, _, _ = drawn_drive()
    at = {it["id"]: (it["drive_x_mm"], it["drive_y_mm"]) for it in lines + more if "id" in it}
    where = np.array([(plant.x_mm, plant.y_mm) for plant in strip.plants])
    struck = [int(np.argmin(np.hypot(*(where - at[it]).T))) for it in [*ids, *treats(more)]]
    assert len(treats(more)) >= 1
    assert len(struck) == len(set(struck))


def test_only_what_is_on_offer_can_be_taken(bench: Path, tmp_path: Path) -> None:
    drive = Drive(eye_of(bench), Mounting(0, 0), tmp_path / "treated.jsonl")
    with pytest.raises(DriveError, match="plant 1 is not on offer"):
        drive.take(1)
    assert not (tmp_path / "treated.jsonl").exists()


@pytest.mark.slow
def test_a_frame_that_cannot_be_read_takes_the_offers_back(bench: Path, tmp_path: Path) -> None:
    _, frames, _ = drawn_drive()
    drive = Drive(eye_of(bench), Mounting(0, 0), tmp_path / "treated.jsonl")
    for number in range(4):
        drive.see(frames[number], "f", now_s())
    (offer, *_) = drive.offers
    before = drive.map
    with pytest.raises(PhotoError):
        drive.see(b"no photo", "bad", now_s())
    assert drive.offers == ()
    with pytest.raises(DriveError, match="not on offer"):
        drive.take(offer.id)
    looked = drive.see(frames[3] // 20, "dark", now_s())
    assert (drive.offers, drive.map) == ((), before)
    assert "too little light" in str(looked.advanced.why_not)
    drive.see(frames[5], "f", now_s())  # the next good one is compared with the last good one
    assert drive.map.pose.x_mm > before.pose.x_mm + 90


@pytest.mark.parametrize(
    "typed",
    [
        ("-", "--drive", "m.toml"),
        ("-", "--treated", "t"),
        ("p.jpg", "--drive", "m.toml", "--treated", "t"),
        ("-", "--anchor", "0", "0", "0", "1", "1"),
        ("-", "--drive", "m.toml", "--treated", "t", "--anchor", "0", "0", "nan", "1", "1"),
        ("-", "--drive", "m.toml", "--treated", "t", "--anchor", "0", "0", "0", "-1", "1"),
    ],
)
def test_what_makes_no_sense_together_exits_2(bench: Path, typed: tuple[str, ...]) -> None:
    model = ("--model", str(bench / "small.onnx"), "--camera", str(bench / "camera.toml"))
    run = subprocess.run([sys.executable, "-m", "weedset.board", *typed, *model], check=False)
    assert run.returncode == 2
