"""`weedset status`: it knows everything that weedset makes, and each next step can be typed."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.main import get_command
from typer.testing import CliRunner

from tests.board.tiny_model import CARD, write_model
from tests.conftest import SavePhoto
from training.verbs import app
from weedset.modelcard import HarmBound, card_to_json


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
    kind, steps = status("garden")
    assert status(".") == ("folder", steps)
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
    assert status("garden/weedset.toml") == ("settings of a workspace", status("garden")[1])
    assert status(".") == ("folder", status("garden")[1])
    pack = status("garden")[1][1]
    assert pack.endswith("--preview")
    assert run(*shlex.split(pack)[1:])[0] == 0
    assert list(here.glob("*-sheet-01.jpg"))  # which is no photo, though it lies beside them
    assert json.loads(run("status", ".", "--json")[1])["photos"] == 3
    assert run(*shlex.split(pack.replace("--preview", "--looked"))[1:])[0] == 0
    assert status("garden")[1][1:] == [
        "weedset check SITE-2026-05-04.zip",
        "weedset submit SITE-2026-05-04.zip --to FOLDER",
    ]
    assert "SITE-2026-05-04.zip: contribution" in run("status", ".")[1]
    kind, steps = status("SITE-2026-05-04.zip")
    assert (kind, steps[0]) == ("contribution", "weedset check SITE-2026-05-04.zip")
    assert run("pool", "new", "pool")[0] == 0
    assert status("pool")[1] == ["weedset pool add pool GIVEN.zip --who YOU"]
    assert run("pool", "add", "pool", "SITE-2026-05-04.zip", "--who", "carla")[0] == 0
    kind, (look, accept) = status("pool")
    assert re.fullmatch(r"weedset pool look pool s-[0-9a-f]{16}-2026-05-04 --to LOOK", look)
    assert run(*shlex.split(look)[1:])[0] == 0
    kind, (doubts, again, take_over) = status("LOOK")
    one = take_over.split()[4]
    assert kind == "workspace"
    assert doubts == f"weedset doubts --pool pool --only {one} --to DOUBTS.jsonl"
    assert again == "weedset label -w LOOK --review DOUBTS.jsonl"
    assert take_over == f"weedset pool correct pool {one} --from LOOK --who YOU"
    assert run(*shlex.split(take_over)[1:])[0] == 0
    assert accept == look.replace("look", "accept").replace("--to LOOK", "--who YOU")
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


def test_a_model_that_may_treat_nothing_says_why(here: Path) -> None:
    never = tuple(replace(item, treat_at=None) for item in CARD.classes)
    bound = HarmBound(0.01, 0.9, ("CHEAL",), ("a", "b"), 40, "by a test")
    for card, why in (
        (replace(CARD, classes=never, bound=bound), "2 sites with 40 protected cells, that at"),
        (replace(CARD, classes=never), "its validation photos showed for no species"),
    ):
        write_model(here / "b.onnx", card)
        _, steps = status("b.onnx")
        assert not any("evaluate" in step or "--policy" in step for step in steps)
        assert "tells CHEAL, DAUCS, STEME\n" in run("status", "b.onnx")[1]
        assert f"treats nothing: {why}" in run("status", "b.onnx")[1].replace(
            "`weedset bound` could not show with 90% confidence, from ", ""
        )


def test_a_run_says_what_it_was_trained_on(here: Path) -> None:
    (here / "run1").mkdir()
    (here / "run1" / "run.json").write_text("{}")
    for source, option in (("0001", "--edition EDITION"), ("workspace w", "-w WORKSPACE")):
        (here / "run1" / "card.json").write_text(card_to_json(replace(CARD, edition=source)))
        assert status("run1")[1] == [f"weedset export run1 {option} --out run1.onnx"]


def test_a_folder_names_all_it_holds_by_the_way_of_the_data(
    here: Path, save_photo: SavePhoto
) -> None:
    save_photo("gardens/acre/IMG_1.jpg", size=(40, 30))
    save_photo("gardens/acre/masks/IMG_1_mask.png", size=(40, 30))
    save_photo("gardens/phone/IMG_1-0123abcd.jpg", size=(40, 30))  # named as if it were drawn
    write_model(here / "a.onnx")
    (here / "b.toml").write_text('name = "beds"\nremove = ["CHEAL"]\n')
    (here / "c.toml").write_text('name = "small"\nbackbone = "plain"\n')
    (here / "d.zip").write_bytes(b"no archive")
    (here / "d-run").mkdir()
    (here / "d-run" / "checkpoint.safetensors").touch()
    (here / "e-run").mkdir()
    (here / "e-run" / "run.json").write_text("{}")
    for name in ("x", "y"):
        assert run("new", name)[0] == 0
    assert run("pool", "new", "f")[0] == 0
    assert status(".")[1] == [
        f"weedset status {name}" for name in ("x", "f", "d-run", "e-run", "a.onnx")
    ]
    assert "see more of x (one of 2 workspaces)" in run("status", ".")[1]
    assert run("status", ".")[1].splitlines()[1:11] == [
        "  gardens/acre: 1 photo",
        "  gardens/phone: 1 photo",
        "  x: workspace",
        "  y: workspace",
        "  f: pool",
        "  c.toml: recipe",
        "  d-run: unfinished run",
        "  e-run: run",
        "  a.onnx: model file",
        "  b.toml: policy",
    ]


def test_pictures_that_weedset_draws_are_no_photos(here: Path, save_photo: SavePhoto) -> None:
    """They say so in EXIF's ImageDescription (0x010E, EXIF 2.32), wherever one puts them."""
    (here / "camera.toml").write_text(
        'name = "c"\nheight_mm = 600\n[lens]\nfield_of_view_deg = 60\n'
        'field_of_view_across = "width"\n'
    )
    photo = save_photo("IMG_1.jpg", size=(400, 300))
    write_model(here / "m.onnx")
    seen = ["--model", "m.onnx", "--camera", "camera.toml", "--overlay", "."]
    assert run("new", "garden")[0] == 0
    assert run("tile", photo, "--camera", "camera.toml", "--site", "a", "-w", "garden")[0] == 0
    assert run("classify", photo, *seen)[0] == 0
    for name in ("glance.jpg", "glance.png"):
        assert run("quality", "-w", "garden", "--sheet", name)[0] == 0
    for name in ("plan.png", "plan.jpg"):
        words = ["--camera", "camera.toml", "--photo-px", "400x300", "--plot", name]
        code, _, err = run("plan", *words)
        assert code == 0, err
    drawn = {path for ending in ("jpg", "png") for path in here.glob(f"*.{ending}")} - {photo}
    assert len(drawn) == 5
    for path in drawn:
        with Image.open(path) as picture:
            assert picture.getexif()[0x010E] == "Drawn by weedset, no photo"
    assert json.loads(run("status", ".", "--json")[1])["photos"] == 1


def test_in_its_own_source_it_offers_the_demo_and_no_picture_of_the_manual(
    here: Path, save_photo: SavePhoto
) -> None:
    (here / "pyproject.toml").write_text('[project]\nname = "weedset"\n')
    (here / "docs").mkdir()
    Image.new("RGB", (40, 30)).save(here / "docs" / "glance.jpg")
    assert status(".") == ("folder", ["make demo"])
    assert "weedset's own folder" in run("status", ".")[1]
    (here / "demo").mkdir()
    assert status(".") == ("folder", ["weedset status demo"])
    Image.new("RGB", (40, 30)).save(here / "docs" / "photo.jpg")
    save_photo("mine/IMG_1.jpg", size=(40, 30))  # a camera's, by its EXIF
    assert status(".")[1][1] == "weedset camera explain mine/IMG_1.jpg"


def test_a_part_of_its_own_source_is_no_garden(here: Path, save_photo: SavePhoto) -> None:
    clone = here / "clone"
    (clone / "docs").mkdir(parents=True)
    (clone / "pyproject.toml").write_text('[project]\nname = "weedset"\n')
    (clone / "docs" / "README.md").touch()
    Image.new("RGB", (40, 30)).save(clone / "docs" / "glance.jpg")
    assert status("clone/docs") == ("folder", [f"make -C {clone} demo"])
    assert "part of weedset's own folder" in run("status", "clone/docs")[1]
    # What somebody puts into the clone is theirs.
    (clone / "beds").mkdir()
    Image.new("RGB", (40, 30)).save(clone / "beds" / "webcam.jpg")
    assert status("clone/beds")[1][0] == "weedset camera explain clone/beds/webcam.jpg"
    (clone / "docs" / "photos").mkdir()
    save_photo("clone/docs/photos/IMG_1.jpg", size=(40, 30))
    assert "weedset camera explain clone/docs/photos/IMG_1.jpg" in status("clone/docs")[1]


def test_training_is_offered_from_three_sites_on_by_a_recipe_that_is_there(
    here: Path, save_photo: SavePhoto
) -> None:
    (here / "camera.toml").write_text('name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n')
    assert run("new", "garden")[0] == 0
    for number, site in enumerate(("a", "b", "c")):
        pixels = np.random.default_rng(number).integers(0, 255, (900, 900, 3), np.uint8)
        photo = save_photo(f"{site}.jpg", pixels=pixels)
        words = ["--camera", "camera.toml", "--site", site, "-w", "garden"]
        code, _, err = run("tile", photo, *words)
        assert code == 0, err
        cells = [f"{site}.jpg,{row},{col},bare" for row in range(9) for col in range(9)]
        (here / "labels.csv").write_text("\n".join(("photo,row,col,species", *cells)) + "\n")
        labels = ["import", "csv", "labels.csv", "--looked-for", "CHEAL", "-w", "garden"]
        code, _, err = run(*labels)
        assert code == 0, err
        offered = [step for step in status("garden")[1] if step.startswith("weedset train")]
        assert bool(offered) == (number == 2)
    assert offered == ["weedset train teacher -w garden --out RUN"]
    said = run("status", "garden")[1]
    assert "train a model:" in said
    assert (
        "  batch a 2026-05-04: looked for CHEAL; no licence\n  batch b 2026-05-04: the same" in said
    )
    assert "loose" not in said
    assert run("recipes", "teacher")[0] == 0


def test_a_workspace_alone_in_a_folder_is_described_at_once(
    here: Path, save_photo: SavePhoto
) -> None:
    (here / "camera.toml").write_text('name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n')
    assert run("new", "garden")[0] == 0
    photo = save_photo("photos/IMG_1.jpg", size=(400, 300))
    assert run("tile", photo, "--camera", "camera.toml", "--site", "a", "-w", "garden")[0] == 0
    (here / "labels.csv").write_text("photo,row,col,species\nIMG_1.jpg,0,0,CHEAL\n")
    labels = ["import", "csv", "labels.csv", "--looked-for", "CHEAL", "-w", "garden"]
    assert run(*labels)[0] == 0
    assert status(".") == ("folder", status("garden")[1])
    lines = run("status", ".")[1].splitlines()
    at = lines.index("  garden: workspace")
    assert lines[at + 1] == f"  {run('status', 'garden')[1].splitlines()[1]}"
    assert "        1 tile  with CHEAL  fat hen" in lines
    said = json.loads(run("status", ".", "--json")[1])
    assert (said["photos"], said["workspace"]["species"]) == (1, {"CHEAL": 1})
    (here / "garden" / "weedset.toml").write_text("damaged")
    assert status(".")[1] == ["weedset status garden"]


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


def test_a_garden_alone_is_offered_training_with_a_warning(
    here: Path, save_photo: SavePhoto
) -> None:
    (here / "camera.toml").write_text('name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n')
    assert run("new", "garden")[0] == 0
    rows = []
    for number in range(3):
        pixels = np.random.default_rng(number).integers(0, 255, (900, 900, 3), np.uint8)
        save_photo(f"in/{number}.jpg", pixels=pixels)
        rows += [f"{number}.jpg,{row},{col},bare" for row in range(9) for col in range(9)]
    assert run("tile", "in", "--camera", "camera.toml", "--site", "a", "-w", "garden")[0] == 0
    (here / "labels.csv").write_text("\n".join(("photo,row,col,species", *rows)) + "\n")
    assert "no checklist yet; no licence" in run("status", "garden")[1]
    assert run("import", "csv", "labels.csv", "--looked-for", "CHEAL", "-w", "garden")[0] == 0
    said = run("status", "garden")[1]
    assert "train a model (of fewer than 3 sites: its scores will flatter it):" in said


def test_a_training_that_was_stopped_is_known(here: Path) -> None:
    (here / "run1").mkdir()
    (here / "run1" / "checkpoint.safetensors").touch()
    go_on = "weedset train RECIPE.toml -w WORKSPACE --out run1"
    assert status("run1") == ("unfinished run", [go_on])
