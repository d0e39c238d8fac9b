"""The command at a running camera: frames on standard input, photos in a watched folder."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import sleep
from typing import IO

import numpy as np
import pytest
from PIL import Image
from tiny_model import write_model

from weedset.board.clock import now_s


def jpeg(seed: int, size_px: tuple[int, int] = (400, 300), orientation: int = 1) -> bytes:
    noise = np.random.default_rng(seed).integers(-2, 8, (*size_px[::-1], 3))
    pixels = (np.array((248, 2, 2)) + noise).clip(0, 255).astype(np.uint8)
    buffer = io.BytesIO()
    turned = Image.Exif()
    turned[0x0112] = orientation  # EXIF 2.32
    exif = turned.tobytes() if orientation != 1 else b""
    Image.fromarray(pixels).save(buffer, "JPEG", quality=98, subsampling=0, exif=exif)
    return buffer.getvalue()


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    write_model(tmp_path / "m.onnx")
    (tmp_path / "camera.toml").write_text(
        'name = "c"\nheight_mm = 1000\n[lens]\nfocal_length_mm = 4\npixel_pitch_um = 2\n'
    )
    (tmp_path / "policy.toml").write_text('name = "bed"\nremove = ["CHEAL"]\n')
    (tmp_path / "photos").mkdir()
    return tmp_path


@contextmanager
def running(
    bench: Path, *asked: str, stale_after_ms: int = 60_000
) -> Iterator[subprocess.Popen[bytes]]:
    """Start the command; stop it in the end. It must not stop by itself."""
    command = [sys.executable, "-m", "weedset.board", *asked, "--json", "--model"]
    command += [str(bench / "m.onnx"), "--camera", str(bench / "camera.toml")]
    command += ["--policy", str(bench / "policy.toml"), "--stale-after", str(stale_after_ms)]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen(command, **pipes) as run:  # type: ignore[call-overload]
        try:
            yield run
        finally:
            run.kill()


def next_photo(out: IO[bytes]) -> dict[str, object]:
    """Return the next record that is none of a cell."""
    while True:
        record = json.loads(out.readline())
        if record["record"] != "cell":
            return dict(record)


@pytest.mark.parametrize("kind", ["jpegs", "lengths"])
def test_frames_from_standard_input(bench: Path, kind: str) -> None:
    with running(bench, "-", "--frames", kind) as run:
        assert run.stdin is not None
        assert run.stdout is not None
        assert run.stderr is not None

        def send(frame: bytes) -> dict[str, object]:
            prefix = len(frame).to_bytes(4, "big") if kind == "lengths" else b""
            run.stdin.write(prefix + frame)  # type: ignore[union-attr]
            run.stdin.flush()  # type: ignore[union-attr]
            return next_photo(run.stdout)  # type: ignore[arg-type]

        one = send(jpeg(1))
        assert (one["photo"], one["counts"]["treat"]) == ("frame 1", 12)  # type: ignore[index]
        assert 0 < float(str(one["good_until_boottime_s"])) - now_s() < 60
        again = send(jpeg(1))
        assert again["counts"] == {"treat": 0, "leave": 12, "unsure": 0}
        bad = jpeg(2)
        bad = send(bad[:20] + b"\0\0" + bad[22:-900] + b"\xff\xd9")
        assert bad["record"] == "bad"
        assert send(jpeg(3))["counts"] == {"treat": 12, "leave": 0, "unsure": 0}
        run.stdin.close()
        assert run.wait(30) == 1
        assert b"Traceback" not in run.stderr.read()


@pytest.mark.slow
def test_frames_that_queued_up_while_it_was_stopped_are_left_alone(bench: Path) -> None:
    """SIGSTOP, as a lid that is closed: what waits in the pipe afterwards is old, not new."""
    with running(bench, "-", stale_after_ms=5000) as run:
        assert run.stdin is not None
        assert run.stdout is not None
        number = 0

        def send() -> dict[str, object]:
            nonlocal number
            number += 1
            run.stdin.write(jpeg(number, (240, 180)))  # type: ignore[union-attr]
            run.stdin.flush()  # type: ignore[union-attr]
            return next_photo(run.stdout)  # type: ignore[arg-type]

        send()  # may have waited until all was loaded
        assert send()["counts"]["treat"]  # type: ignore[index]
        run.send_signal(signal.SIGSTOP)
        number += 1
        run.stdin.write(jpeg(number, (240, 180)))
        run.stdin.flush()
        sleep(6)
        run.send_signal(signal.SIGCONT)
        waited = next_photo(run.stdout)
        assert waited["counts"]["treat"] == 0  # type: ignore[index]
        assert b'"stale: the photo is ' in run.stdout.readline()
        assert send()["counts"]["treat"] == 0  # type: ignore[index]  # of a queue before ours
        assert b'"stale: the photo is ' in run.stdout.readline()
        sleep(2)
        assert send()["counts"]["treat"]  # type: ignore[index]


def test_a_watched_folder_through_half_written_files_a_kill_and_a_restart(bench: Path) -> None:
    photos, log = bench / "photos", bench / "log.jsonl"
    (photos / "old.jpg").write_bytes(jpeg(0))
    asked = (str(photos), "--watch", "--log", str(log))
    for start in (1, 11):
        with running(bench, *asked) as run:
            assert run.stdout is not None
            assert run.stderr is not None
            assert run.stderr.readline().startswith(b"Watching")
            whole = jpeg(start)
            for share in (3, 2, 1):  # a writer that is slower than we look
                (photos / f"{start}.jpg").write_bytes(whole[: len(whole) // share])
                sleep(0.02)
            seen = [next_photo(run.stdout)]
            # Where half of it lay still for long, that is told, and there is no decision.
            while seen[-1]["record"] == "bad":
                seen.append(next_photo(run.stdout))
            assert seen[-1]["photo"] == f"{start}.jpg"
            assert seen[-1]["counts"]["treat"] == 12  # type: ignore[index]
            (photos / f"{start + 1}.jpg").write_bytes(b"no photo")
            assert next_photo(run.stdout)["record"] == "bad"
            aside = photos / "aside.part"
            aside.write_bytes(jpeg(start + 2))
            aside.rename(photos / f"{start + 2}.jpg")
            assert next_photo(run.stdout)["photo"] == f"{start + 2}.jpg"
    logged = [json.loads(line) for line in log.read_text().splitlines()]
    names = [line["photo"] for line in logged if line["record"] == "photo"]
    assert names == ["1.jpg", "3.jpg", "11.jpg", "13.jpg"]


def test_a_camera_that_is_switched_over_and_a_full_disk(bench: Path) -> None:
    """Frames of another size, or turned, are left alone; decisions go on without the log."""
    (bench / "log.jsonl").symlink_to("/dev/full")
    with running(bench, "-", "--log", str(bench / "log.jsonl")) as run:
        assert run.stdin is not None
        assert run.stdout is not None
        assert run.stderr is not None
        for frame, treat in [
            (jpeg(1), 12),
            (jpeg(2, (640, 480)), 0),
            (jpeg(3, orientation=3), 0),
            (jpeg(4, (300, 400), orientation=6), 0),  # of the first one's size once upright
            (jpeg(5), 12),
        ]:
            run.stdin.write(frame)
            run.stdin.flush()
            counts = next_photo(run.stdout)["counts"]
            assert counts["treat"] == treat  # type: ignore[index]
        run.stdin.close()
        assert run.wait(30) == 0
        said = run.stderr.read()
        assert said.count(b"deciding goes on without the log") == 1


def test_decisions_that_cannot_be_written_end_it(bench: Path) -> None:
    (bench / "photos" / "one.jpg").write_bytes(jpeg(1))
    command = [sys.executable, "-m", "weedset.board", str(bench / "photos"), "--json"]
    command += ["--model", str(bench / "m.onnx"), "--camera", str(bench / "camera.toml")]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, check=False)
    assert done.returncode == 1
    assert b"error: the decisions cannot be written (No space left on device)" in done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    "asked", [("-", "other.jpg"), ("absent", "--watch"), ("-", "--overlay", "x")]
)
def test_what_makes_no_sense_together_exits_2(bench: Path, asked: tuple[str, ...]) -> None:
    with running(bench, *asked) as run:
        assert run.wait(30) == 2
