"""`weedset status`: it knows everything that weedset makes, and each next step can be typed."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from typer.main import get_command
from typer.testing import CliRunner

from tests.board.tiny_model import write_model
from tests.conftest import SavePhoto
from training.verbs import app


def run(*words: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def status(path: Path | str) -> tuple[str, list[str]]:
    """Return the kind that `status` says, and the next commands, which must be typeable."""
    code, out, _ = run("status", path, "--json")
    assert code == 0
    said = json.loads(out)
    steps = [step["command"] for step in said["next"]]
    for step in steps:
        program, *words = shlex.split(step)
        if program == "weedset":
            can_be_typed([word.replace("X,Y", "1,2").replace("MM", "9") for word in words])
    shown = run("status", path)[1]
    assert shown.startswith(f"{path}: {said['kind']}\n")
    assert all(step in shown for step in steps)
    return said["kind"], steps


def can_be_typed(words: list[str]) -> None:
    command = get_command(app)
    while hasattr(command, "commands"):
        command = command.commands[words.pop(0)]
    if "--help" not in words:
        command.make_context("weedset", words)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_newcomer_is_led_from_an_empty_folder_to_labels(
    here: Path, save_photo: SavePhoto
) -> None:
    kind, steps = status(".")
    assert (kind, steps[0]) == ("folder", "mkdir -p photos")
    photo = save_photo("photos/IMG_1.jpg", size=(400, 300))
    for _ in range(2):
        kind, steps = status(".")
        assert steps[0] == "weedset camera explain photos/IMG_1.jpg"
    pointed = ["--from", "10,10", "--to", "390,10", "--length-mm", "190", "--out", "camera.toml"]
    assert steps[1].startswith("weedset camera from-object photos/IMG_1.jpg --from X,Y --to X,Y")
    assert run("camera", "from-object", photo, *pointed)[0] == 0
    save_photo("glance.jpg", size=(40, 30))  # beside more photos in a folder of their own
    save_photo("photos/IMG_2.jpg", size=(400, 300))
    kind, steps = status(".")
    assert steps[0] == "weedset new garden"
    assert steps[1] == "weedset tile photos --camera camera.toml --site SITE -w garden"
    assert run("new", "garden")[0] == 0
    assert status(".") == ("folder", ["weedset status garden"])
    kind, steps = status("garden")
    assert kind == "workspace"
    assert steps == ["weedset tile photos --camera camera.toml --site SITE -w garden"]
    assert run(*shlex.split(steps[0])[1:])[0] == 0
    assert status("garden")[1] == ["weedset label -w garden"]
    (here / "labels.csv").write_text("photo,row,col,species\nIMG_1.jpg,0,0,bare\n")
    assert run("import", "csv", "labels.csv", "--looked-for", "CHEAL", "-w", "garden")[0] == 0
    steps = status("garden")[1]
    assert steps[0] == "weedset label -w garden"
    assert steps[1].startswith("weedset describe 'SITE 2026-05-04' -w garden")
    words = ["--giver", "anna", "--rights-holder", "Anna", "--licence", "CC0-1.0"]
    consent = ["--consent", "I took these photos and give them."]
    assert run("describe", "SITE 2026-05-04", "-w", "garden", *words, *consent)[0] == 0
    pack = status("garden")[1][1]
    assert pack.endswith("--preview")
    assert run(*shlex.split(pack)[1:])[0] == 0
    assert run(*shlex.split(pack.replace("--preview", "--looked"))[1:])[0] == 0
    kind, steps = status("SITE-2026-05-04.zip")
    assert (kind, steps[0]) == ("contribution", "weedset check SITE-2026-05-04.zip")
    assert run("pool", "new", "pool")[0] == 0
    assert status("pool")[1] == ["weedset pool add pool GIVEN.zip --who YOU"]
    assert run("pool", "add", "pool", "SITE-2026-05-04.zip", "--who", "carla")[0] == 0
    assert status("pool") == ("pool", ["weedset pool review pool"])
    name = re.search(r"\S+", run("pool", "review", "pool")[1])
    assert name is not None
    assert run("pool", "accept", "pool", name[0], "--who", "carla")[0] == 0
    assert status("pool")[1][-1] == "weedset pool freeze pool --who YOU"
    assert run("pool", "freeze", "pool", "--who", "carla")[0] == 0
    kind, steps = status("pool/editions/0001")
    assert (kind, "--edition pool/editions/0001" in steps[-1]) == ("edition", True)


def test_files_are_known_too(here: Path, save_photo: SavePhoto) -> None:
    assert status(save_photo("p.jpg", size=(40, 30)).name)[0] == "photo"
    write_model(here / "m.onnx")
    kind, steps = status("m.onnx")
    assert (kind, steps[-1]) == ("model file", "weedset card m.onnx")
    (here / "cart.toml").write_text(
        'name = "cart"\nheight_mm = 600\n[lens]\nfield_of_view_deg = 60\n'
        'field_of_view_across = "width"\n'
    )
    kind, steps = status("cart.toml")
    assert (kind, steps[-1]) == ("camera profile", "weedset plan --camera cart.toml")
    (here / "beds.toml").write_text('name = "beds"\nremove = ["CHEAL"]\n')
    kind, steps = status("beds.toml")
    assert (kind, steps[0].endswith("--policy beds.toml")) == ("policy", True)
    (here / "r.toml").write_text('name = "small"\nbackbone = "plain"\n')
    assert status("r.toml") == ("recipe", ["weedset train r.toml -w WORKSPACE --out RUN"])
    (here / "runs").mkdir()
    (here / "runs" / "run.json").write_text("{}")
    (here / "beds-1").mkdir()
    (here / "beds-1" / "release.json").write_text("{}")
    kind, steps = status("beds-1")
    assert (kind, "--policy beds-1/policy.toml" in steps[-1]) == ("release", True)
    assert status("runs") == ("run", ["weedset export runs -w WORKSPACE --out runs.onnx"])


def test_what_is_none_of_these_is_said_so(here: Path) -> None:
    assert run("status", "gone")[0] == 1
    np.save(here / "x.npy", np.zeros(3))
    code, _, err = run("status", "x.npy")
    assert (code, "is nothing that weedset knows" in err) == (1, True)
    assert "Traceback" not in err
    (here / "other.toml").write_text("[tool]\nx = 1\n")
    assert run("status", "other.toml")[0] == 1


def test_names_with_blanks_can_be_pasted_into_a_shell(here: Path, save_photo: SavePhoto) -> None:
    save_photo("my photos/a b.jpg", size=(40, 30))
    steps = status(".")[1]
    assert shlex.split(steps[0])[-1] == "my photos/a b.jpg"
