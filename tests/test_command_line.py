"""The command line: every verb has help with examples, failures say what to do."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.main import get_command
from typer.testing import CliRunner

from tests.conftest import SavePhoto
from training.verbs import app

ROOT = Path(__file__).resolve().parent.parent


def run(*arguments: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, [str(part) for part in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def verbs() -> dict[str, list[str]]:
    """Return the words of each verb, however deep, by their name."""
    found: dict[str, list[str]] = {}

    def walk(command: object, words: list[str]) -> None:
        commands = getattr(command, "commands", None)
        if commands is None:
            found[" ".join(words)] = words
            return
        for name, inner in commands.items():
            walk(inner, [*words, name])

    walk(get_command(app), [])
    return found


@pytest.mark.parametrize("words", verbs().values(), ids=verbs().keys())
def test_each_verb_has_help_with_two_examples(words: list[str]) -> None:
    code, out, _ = run(*words, "--help")
    assert code == 0
    assert len(re.findall(r"Example:", out)) >= 2, f"weedset {' '.join(words)}"


def test_the_gardeners_way_from_photos_to_labels(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    garden = tmp_path / "beds"
    photos = save_photo("in/a.jpg", size=(400, 300)).parent
    save_photo("in/b.jpg", size=(400, 300), pixels=np.full((300, 400, 3), 90, np.uint8))
    assert run("new", garden, "--cell-mm", "50", "--tile-px", "32")[0] == 0
    tile = ("tile", photos, "--camera", camera_toml, "--site", "long-acre", "-w", garden)
    code, out, err = run(*tile, "--giver", "anna", "--licence", "CC-BY-4.0", "--json")
    assert code == 0
    records = [json.loads(line) for line in out.splitlines()]
    assert [record["photo"] for record in records] == ["a.jpg", "b.jpg"]
    assert {record["gsd_mm_per_px"] for record in records} == {0.5}
    assert "2 photos cut into 24 tiles" in err

    mask = np.zeros((300, 400), np.uint8)
    mask[120:160, 120:160] = 1
    (tmp_path / "masks").mkdir()
    for name in ("a", "b"):
        Image.fromarray(mask).save(tmp_path / "masks" / f"{name}_mask.png")
    code, _, err = run(
        "import", "masks", tmp_path / "masks", "--value", "0=ground", "--value", "1=CHEAL",
        "--looked-for", "CHEAL, DAUCS", "-w", garden,
    )  # fmt: skip
    assert (code, "24 tiles labelled from 2 masks" in err) == (0, True)

    table = tmp_path / "labels.csv"
    table.write_text("photo,row,col,species\na.jpg,0,0,DAUCS\n")
    assert run("import", "csv", table, "--looked-for", "DAUCS,CHEAL", "-w", garden)[0] == 0
    code, out, _ = run("status", "-w", garden, "--json")
    said = json.loads(out)
    (batch,) = said.pop("each_batch")
    assert (batch["id"], batch["looked_for"]) == ("long-acre 2026-05-04", ["CHEAL", "DAUCS"])
    assert {name: value for name, value in said.items() if name not in ("path", "next")} == {
        "kind": "workspace", "batches": 1, "photos": 2, "tiles": 24, "labelled": 24, "loose": 0,
        "species": {"CHEAL": 2, "DAUCS": 1},
    }  # fmt: skip
    code, out, _ = run("status", "-w", garden)
    assert "looked for CHEAL, DAUCS" in out
    assert "1 batch, 2 photos, 24 tiles" in out
    assert "1 tile  with DAUCS" in out


def test_one_bad_photo_does_not_stop_the_rest(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    photos = save_photo("in/a.jpg", size=(400, 300)).parent
    (photos / "b.jpg").write_bytes(b"no photo")
    run("new", tmp_path / "beds")
    tile = ("tile", photos, "--camera", camera_toml, "--site", "s", "-w", tmp_path / "beds")
    code, _, err = run(*tile)
    assert code == 1
    assert f"{photos / 'b.jpg'}: is not a photo that can be read" in err
    assert "1 photo cut into 12 tiles, 1 could not be cut." in err
    (photos / "b.jpg").unlink()
    code, _, err = run(*tile)
    assert (code, "No photo was cut, 1 already there" in err) == (0, True)


def test_photos_that_cannot_be_read_here_are_told_of(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    """As a phone writes them that was never set to JPEG."""
    photos = save_photo("in/a.jpg", size=(400, 300)).parent
    for name in ("IMG_2.HEIC", "IMG_3.heic"):
        (photos / name).write_bytes(b"ftypheic")
    run("new", tmp_path / "beds")
    tile = ("tile", photos, "--camera", camera_toml, "--site", "s", "-w", tmp_path / "beds")
    code, _, err = run(*tile)
    assert (code, "passed over what cannot be read here: IMG_2.HEIC and 1 more" in err) == (0, True)
    code, out, _ = run("status", tmp_path)
    assert "in: 1 photo\n" in out
    assert "in: 2 photos that cannot be read here (HEIC or raw)" in out
    (photos / "a.jpg").unlink()
    code, _, err = run(*tile)
    assert (code, "photos such as IMG_2.HEIC cannot be read here" in err) == (1, True)


def test_the_same_fault_of_many_photos_is_told_a_few_times(
    camera_toml: Path, tmp_path: Path
) -> None:
    (tmp_path / "in").mkdir()
    for number in range(6):
        Image.new("RGB", (200, 200), (number, 0, 0)).save(tmp_path / "in" / f"{number}.png")
    run("new", tmp_path / "beds")
    tile = ("tile", tmp_path / "in", "--camera", camera_toml, "--site", "s")
    code, _, err = run(*tile, "-w", tmp_path / "beds")
    assert (code, err.count("say it: --on 2026-05-04")) == (1, 3)
    assert "and 3 more photos: does not say on which day it was taken" in err
    assert "No photo was cut, 6 could not be cut." in err


def test_a_scale_that_hides_small_leaves_is_pointed_out(tmp_path: Path) -> None:
    """A length given in mm that was measured in cm: ten times too coarse. 8 px across is
    common practice, no source."""
    Image.new("RGB", (400, 300)).save(tmp_path / "a.png")
    (tmp_path / "cm.toml").write_text('name = "c"\n[scale]\ngsd_mm_per_px = 3.2\n')
    run("new", tmp_path / "beds")
    tile = ("tile", tmp_path / "a.png", "--camera", tmp_path / "cm.toml", "--site", "s")
    code, _, err = run(*tile, "--on", "2026-05-04", "-w", tmp_path / "beds")
    assert (code, "so coarse that no leaf of less than 26 mm can be seen" in err) == (0, True)


def test_a_photo_without_a_date_asks_for_it(camera_toml: Path, tmp_path: Path) -> None:
    Image.new("RGB", (400, 300)).save(tmp_path / "plain.png")
    run("new", tmp_path / "beds")
    tile = ("tile", tmp_path / "plain.png", "--camera", camera_toml, "--site", "s")
    code, _, err = run(*tile, "-w", tmp_path / "beds")
    assert (code, "does not say on which day" in err, "--on 2026-05-04" in err) == (1, True, True)
    assert run(*tile, "-w", tmp_path / "beds", "--on", "2026-05-04")[0] == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--site", "../x", "--on", "2026-05-04"], "--site"),
        (["--site", "x", "--on", "04.05.2026"], "--on"),
        (["--site", "x", "--licence", "<script>"], "--licence"),
        ([], "--site"),
    ],
)
def test_words_that_make_no_sense_are_usage_errors(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path, words: list[str], said: str
) -> None:
    run("new", tmp_path / "beds")
    tile = ["tile", str(save_photo()), "--camera", str(camera_toml), "-w", str(tmp_path / "beds")]
    code, _, err = run(*tile, *words)
    assert code == 2
    assert said in err


def test_expected_failures_say_what_to_do_and_leave_with_one(tmp_path: Path) -> None:
    code, out, err = run("status", "-w", tmp_path)
    assert (code, out) == (1, "")
    assert err.startswith("error: ")
    assert "do: name a workspace with --workspace; or make this folder one" in err
    run("new", tmp_path / "beds")
    tile = ("tile", tmp_path, "--camera", tmp_path / "gone.toml", "--site", "s")
    code, _, err = run(*tile, "-w", tmp_path / "beds")
    assert (code, "weedset camera from-object" in err) == (1, True)


def test_who_has_no_camera_profile_is_told_how_to_make_one(
    save_photo: SavePhoto, tmp_path: Path
) -> None:
    run("new", tmp_path / "beds")
    photo = save_photo(size=(400, 300))
    code, _, err = run("tile", photo.parent, "--site", "s", "-w", tmp_path / "beds")
    assert code == 1
    assert f"do: see what a photo tells: `weedset camera explain {photo}`" in err
    # And that last line is a command that can be typed.
    code, out, _ = run("camera", "explain", photo)
    assert (code, f"weedset camera from-object {photo} --from X,Y" in out) == (0, True)


def plain(text: str) -> str:
    """Return a framed message as one line, without its frame."""
    return " ".join(text.translate(str.maketrans("│╭╮╰╯─", "      ")).split())


def test_a_workspace_typed_without_its_option_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run("new", "garden")
    for verb in ("label", "quality"):
        code, _, err = run(verb, "garden")
        assert (code, "did you mean -w garden?" in plain(err)) == (2, True)
        assert "did you mean" not in run(verb, "elsewhere")[2]


def test_a_point_typed_with_a_blank_is_asked_for_without(save_photo: SavePhoto) -> None:
    photo = save_photo("p.jpg", size=(400, 300))
    words = ["--from", "100,", "80", "--to", "300,", "95", "--length-mm", "257", "--out", "c.toml"]
    code, _, err = run("camera", "from-object", photo, *words)
    assert (code, "without a blank, such as --from 100,80" in plain(err)) == (2, True)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("tile photos", "--site: The garden or field"),
        ("pool add pool given.zip", "--who: Who does this"),
        ("import masks masks", "--looked-for: The checklist"),
        ("describe", "BATCH: The batch, as `weedset status` names it"),
        ("describe", "--rights-holder: Who holds the rights"),
        ("describe b --consent yes", "--rights-holder: Who holds the rights in the photos."),
        ("import coco c.json --looked-for CHEAL", "--unmarked: What ground without marks is"),
    ],
)
def test_who_leaves_something_out_is_told_what_to_put(words: str, said: str) -> None:
    code, _, err = run(*words.split())
    assert (code, said in plain(err)) == (2, True)
    given = [word for word in words.split() if word.startswith("--")]
    assert not [word for word in given if f"{word}:" in plain(err)]


def test_what_is_in_the_environment_is_not_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WEEDSET_WHO", "carla")
    said = plain(run("pool", "add")[2])
    assert "ARCHIVES: Contributions" in said
    assert "--who" not in said


def test_a_journey_misspelt_is_met_with_the_nearest() -> None:
    code, _, err = run("doctor", "gardner")
    assert (code, "did you mean gardener?" in plain(err)) == (2, True)
    assert "Value error" not in err
    assert "give one of gardener, training" in plain(run("doctor", "zzz")[2])


def test_a_folder_in_place_of_a_file_is_called_one(tmp_path: Path) -> None:
    code, _, err = run("check", tmp_path)
    assert (code, "is a folder, where a file is wanted" in err) == (1, True)
    assert "do: name a contribution" in err


def test_a_folder_of_photos_is_no_workspace(save_photo: SavePhoto) -> None:
    photos = save_photo("in/a.jpg").parent
    code, _, err = run("new", photos)
    assert (code, "make the workspace beside the photos" in err) == (1, True)
    assert [item.name for item in photos.iterdir()] == ["a.jpg"]


def test_a_species_that_is_not_found_leaves_a_way_on() -> None:
    code, _, err = run("species", "xyzzy")
    assert (code, "--species" in err) == (1, True)


def test_species_in_masks_beyond_the_checklist_are_told(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    room = ("-w", tmp_path / "beds")
    run("new", tmp_path / "beds", "--tile-px", "32")
    photo = save_photo("in/a.jpg", size=(400, 300))
    assert run("tile", photo, "--camera", camera_toml, "--site", "acre", *room)[0] == 0
    (tmp_path / "masks").mkdir()
    mask = np.zeros((300, 400), np.uint8)
    mask[120:160, 120:160] = 1
    Image.fromarray(mask).save(tmp_path / "masks" / "a.png")
    masks = ("import", "masks", tmp_path / "masks", "--value", "0=ground", "--value", "1=CHEAL")
    code, _, err = run(*masks, "--looked-for", "DAUCS", *room)
    assert (code, "NOTE: CHEAL in these labels but not on the checklist" in err) == (0, True)
    assert "NOTE" not in run(*masks, "--looked-for", "DAUCS,CHEAL", *room)[2]


def test_the_photos_own_date_and_a_sites_spelling_are_held_to(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    run("new", tmp_path / "beds")
    photo, rest = save_photo(size=(400, 300)), ("--camera", camera_toml, "-w", tmp_path / "beds")
    code, _, err = run("tile", photo, *rest, "--site", "acre", "--on", "2020-01-01")
    assert (code, "taken on 2026-05-04, but --on says 2020-01-01" in err) == (1, True)
    assert run("tile", photo, *rest, "--site", "acre")[0] == 0
    code, _, err = run("tile", photo, *rest, "--site", "Acre")
    assert (code, "did you mean that?" in err) == (2, True)
    code, _, err = run("tile", photo, *rest, "--site", "acre", "--on", "2999-01-01")
    assert (code, "is in the future" in err) == (2, True)


def test_species_are_found_by_a_name_in_any_language() -> None:
    code, out, _ = run("species", "zanahoria", "--json")
    assert code == 0
    assert json.loads(out.splitlines()[0])["code"] == "DAUCS"
    assert run("species", "no such plant at all")[0] == 1


def test_the_program_is_quick_to_start_and_loads_no_torch() -> None:
    script = (
        "import sys; from training.verbs import app; "
        "print([name for name in ('torch', 'sklearn', 'albumentations') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_colour_is_left_out_of_pipes(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from training.verbs import main; main()", "status", "-w", tmp_path],
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 1
    assert b"\x1b[" not in done.stderr


def test_a_photo_of_another_size_than_the_profile_speaks_of_is_told(
    save_photo: SavePhoto, tmp_path: Path
) -> None:
    profile = tmp_path / "cart.toml"
    profile.write_text(
        'name = "cart"\n[scale]\ngsd_mm_per_px = 0.5\n[image]\nwidth_px = 800\nheight_px = 600\n'
    )
    photos = save_photo("in/a.jpg", size=(400, 300)).parent
    save_photo("in/b.jpg", size=(800, 600), pixels=np.full((600, 800, 3), 90, np.uint8))
    assert run("new", tmp_path / "beds")[0] == 0
    code, _, err = run("tile", photos, "--camera", profile, "--site", "s", "-w", tmp_path / "beds")
    assert code == 0
    assert "NOTE: 1 photo of another size than the 800 x 600 px" in " ".join(err.split())


def test_a_photo_of_another_lens_than_the_profile_speaks_of_is_told(
    save_photo: SavePhoto, tmp_path: Path
) -> None:
    profile = tmp_path / "cart.toml"
    profile.write_text('name = "cart"\nheight_mm = 350\n[lens]\nfocal_length_35mm_mm = 33\n')
    save_photo("in/own.jpg", exif_tags={0xA405: 33})
    save_photo("in/near.jpg", size=(400, 300), exif_tags={0xA405: 35})
    photos = save_photo("in/other.jpg", size=(600, 400), exif_tags={0xA405: 26}).parent
    assert run("new", tmp_path / "beds")[0] == 0
    code, _, err = run("tile", photos, "--camera", profile, "--site", "s", "-w", tmp_path / "beds")
    assert code == 0
    assert "NOTE: the EXIF of 1 photo tells another lens" in " ".join(err.split())


def test_labels_of_another_person_are_not_overruled_in_silence(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    room, table = ("-w", tmp_path / "beds"), tmp_path / "labels.csv"
    photo = save_photo("in/a.jpg", size=(400, 300))
    assert run("new", tmp_path / "beds")[0] == 0
    assert run("tile", photo, "--camera", camera_toml, "--site", "s", *room)[0] == 0

    def took_in(who: str, first: str) -> str:
        table.write_text(f"photo,row,col,species\na.jpg,0,0,{first}\na.jpg,0,1,DAUCS\n")
        words = ("import", "csv", table, "--looked-for", "DAUCS", "--annotator", who, *room)
        code, _, err = run(*words)
        assert code == 0, err
        return " ".join(err.split())

    assert "NOTE" not in took_in("anna", "DAUCS")
    assert "NOTE" not in took_in("anna", "bare")  # her own label, changed
    assert "NOTE: anna had labelled 1 tile otherwise." in took_in("ben", "DAUCS")


def test_where_it_cannot_run_it_says_where_it_can() -> None:
    """Windows has no fcntl: a name without a module stands for that here."""
    script = "import sys; sys.modules['fcntl'] = None; import training.verbs"
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "weedset needs Linux" in done.stderr
    assert "Traceback" not in done.stderr
