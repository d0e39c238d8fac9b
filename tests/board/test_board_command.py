from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tiny_model import CARD, write_model

from weedset.board.__main__ import main
from weedset.modelcard import CAUTION, REMINDER, reminder


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    write_model(tmp_path / "m.onnx")
    (tmp_path / "camera.toml").write_text(
        'name = "c"\nheight_mm = 1000\n[lens]\nfocal_length_mm = 4\npixel_pitch_um = 2\n'
    )
    (tmp_path / "policy.toml").write_text('name = "bed"\nremove = ["CHEAL"]\n')
    (tmp_path / "photos").mkdir()
    for name, colour in (("a.png", (248, 2, 2)), ("b.png", (60, 60, 60))):
        rough(colour).save(tmp_path / "photos" / name)
    return tmp_path


def rough(colour: tuple[int, int, int]) -> Image.Image:
    """A picture of one colour, give or take, as any ground that is in focus has detail."""
    noise = np.random.default_rng(0).integers(-2, 8, (300, 400, 3))
    return Image.fromarray((np.array(colour) + noise).clip(0, 255).astype(np.uint8))


def arguments(bench: Path, *more: str) -> list[str]:
    return [
        *(str(bench / "photos"), "--model", str(bench / "m.onnx")),
        *("--camera", str(bench / "camera.toml"), *more),
    ]


def test_json_lines_on_stdout_talk_on_stderr(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments(bench, "--json", "--policy", str(bench / "policy.toml"))) == 0
    out, err = capsys.readouterr()
    records = [json.loads(line) for line in out.splitlines()]
    assert [record["record"] for record in records] == (["photo"] + ["cell"] * 12) * 2
    assert records[0]["counts"]["treat"] == 12
    assert records[13]["counts"]["treat"] == 0
    assert reminder(CARD) in err


def test_the_usual_caution_is_said_in_short_and_any_other_whole() -> None:
    assert CARD.caution == CAUTION
    assert reminder(CARD) == REMINDER
    assert len(REMINDER) < len(CAUTION) / 2
    for harm in ("safety system", "burn", "cut", "fire", "hurt", "people", "animals", "off"):
        assert harm in REMINDER
        assert harm in CAUTION
    assert reminder(replace(CARD, caution="Keep off the slope.")) == "Keep off the slope."


def test_plain_words_without_a_policy_treat_nothing(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments(bench)) == 0
    out, err = capsys.readouterr()
    assert out.startswith("a.png: 12 cells: 0 treat, 12 leave, 0 unsure\n")
    assert "nothing is treated" in err


def test_a_bad_photo_is_told_and_the_others_go_on(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "photos" / "aa.jpg").write_bytes(b"no photo")
    code = main(arguments(bench, str(bench / "absent.jpg"), "--json"))
    out, err = capsys.readouterr()
    assert code == 1
    assert [r["photo"] for r in map(json.loads, out.splitlines()) if r["record"] == "photo"] == [
        "a.png",
        "b.png",
    ]
    assert "aa.jpg" in err
    assert "absent.jpg" in err


@pytest.mark.parametrize("broken", ["m.onnx", "camera.toml", "policy.toml"])
def test_what_cannot_be_used_exits_1(
    bench: Path, capsys: pytest.CaptureFixture[str], broken: str
) -> None:
    (bench / broken).write_bytes(b"\xff\xff")
    assert main(arguments(bench, "--policy", str(bench / "policy.toml"))) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert f"error: {bench / broken}" in err


@pytest.mark.parametrize("typed", [[], ["p.jpg"], ["--threads", "0"], ["--threads", "x"]])
def test_usage_exits_2(bench: Path, typed: list[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main([*arguments(bench), *typed] if "--threads" in typed else typed)
    assert caught.value.code == 2


def test_overlays_are_drawn(bench: Path) -> None:
    assert main(arguments(bench, "--overlay", str(bench / "drawn"))) == 0
    assert len(list((bench / "drawn").glob("*.jpg"))) == 2


def test_a_reader_that_goes_away_is_no_crash(bench: Path) -> None:
    run = subprocess.Popen(
        [sys.executable, "-m", "weedset.board", *arguments(bench, "--json")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert run.stdout is not None
    run.stdout.close()
    assert run.stderr is not None
    err = run.stderr.read().decode()
    run.stderr.close()
    assert run.wait() == 1
    assert "Traceback" not in err
    assert "Exception" not in err


FOREIGN = ("torch", "typer", "rich", "sqlite3", "sklearn", "pydantic", "onnx")


def test_board_loads_nothing_but_the_base_install(bench: Path) -> None:
    """A board has no room for the desk: run the whole command and look at what it loaded."""
    script = (
        "import sys, json\n"
        "from weedset.board.__main__ import main\n"
        "code = main(sys.argv[1:])\n"
        "sys.stderr.write('\\nLOADED ' + json.dumps(sorted({m.split('.')[0] for m in sys.modules})"
        " + [code]))\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, *arguments(bench, "--overlay", str(bench / "drawn"))],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONNOUSERSITE": "1"},
        check=True,
    )
    *loaded, code = json.loads(run.stderr.rsplit("LOADED ", 1)[1])
    assert code == 0
    assert {"numpy", "PIL", "onnxruntime", "weedset"} <= set(loaded)
    assert not set(loaded) & set(FOREIGN)


def test_the_gate_is_told_of_in_plain_words(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ("--least-green", "0.01", "--audit-every", "0")
    assert main(arguments(bench, *asked, "--policy", str(bench / "policy.toml"))) == 0
    out = capsys.readouterr().out
    assert out.startswith("a.png: 12 cells: 0 treat, 12 leave, 0 unsure  (no green to speak of)\n")
    assert "  gate: 12 skipped; 0 looked at all the same, 0 of them with a plant\n" in out


@pytest.mark.parametrize("typed", [("--least-green", "2"), ("--audit-every", "-1")])
def test_a_gate_out_of_range_exits_2(bench: Path, typed: tuple[str, str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(arguments(bench, *typed))
    assert caught.value.code == 2
