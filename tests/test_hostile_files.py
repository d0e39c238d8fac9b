"""Every reader of a stranger's file, and every kind of nonsense: one clear error of our tree.

What is put in place of each value are cases from RFC 8259 (numbers without a limit, lone
surrogates, names said twice, depth), TOML 1.0 (inf, nan, dates that are none) and Unicode
(byte order marks, controls, right-to-left overrides).
"""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from tests.packing.forge import GIVING
from training.recipe import read_recipe
from training.releasing.release_check import check_release
from training.runs import read_run
from weedset.board.decide import read_policy
from weedset.board.drives.treatedlog import read_treated
from weedset.board.frames import read_shot
from weedset.board.measurement import read_measurement
from weedset.board.targets import read_mounting
from weedset.contribution.giving import giving_toml, read_giving
from weedset.errors import MeasurementError, ModelError, WeedsetError
from weedset.fields import read_text
from weedset.importers.coco import read_coco
from weedset.importers.names import read_names
from weedset.importers.polygons import Mapped, read_mapping, read_polygons
from weedset.modelcard import ClassCard, ModelCard, card_from_json, card_to_json
from weedset.pool.editions import editions
from weedset.pool.journal import read_journal
from weedset.pool.layout import Pool
from weedset.pool.standing import standings
from weedset.preprocess import Normalisation
from weedset.profile import read_camera_profile
from weedset.reviewlist import read_review_list
from weedset.settings import open_workspace
from weedset.taxonomy import load_species

KNOWN = load_species()
DIGEST = "a" * 64

#: In place of each value: texts of JSON, and of TOML where that has a word for it.
VALUES = [
    *("null", "true", "-1", "0", "1e300", "-1e-320", "1e999", "NaN", "-Infinity", "[]", "{}"),
    *('""', '" "', '"../../x"', '"=1+1"', '"\\u0000"', '"\\u001b[2J\\u202e"', "[[[]]]"),
    *("9" * 400, "9" * 5000, '"\\ud800"', f'"{"x" * 50_000}"', '{"a": 1, "a": 2}'),
]
TOML_WORDS = {"NaN": "nan", "-Infinity": "-inf", "1e999": "inf", "null": "2026-13-45"}

#: In place of the whole file.
FILES = [
    *(b"", b"\n\n", b"\x00" * 500, b"\xff\xfe\x00", b"[" * 100_000, b'{"a":' * 100_000, b"1"),
    *(b"a = " + b"[" * 50_000, b"a." * 20_000 + b"b = 1\n", b'{"a": 1, "a": 2}', b'"', b"null"),
    *(
        b"a = " + b"9" * 5000,
        b"a = 25:61:00\n",
        b'{"a": ' + b"9" * 5000 + b"}",
        b"\r",
        b"x" * 10**6,
    ),
]


@dataclass(frozen=True)
class Reader:
    """A reader, what it reads where nothing is wrong, and how that is written."""

    read: Callable[[Path], object]
    whole: dict[str, Any]
    suffix: str = ".json"
    lines: bool = False


def _card() -> ModelCard:
    return ModelCard(
        "m", "x", "2026-11-25", (ClassCard("CHEAL", 0.9, 0.5, 0.2),), 32, Normalisation(127, 128),
        50, 0.1, 1, "e", DIGEST, "site", (), "CC0-1.0", ("anna",),
    )  # fmt: skip


def _workspace(path: Path) -> object:
    (path.parent / "weedset.toml").write_bytes(path.read_bytes())
    return open_workspace(path.parent)


def _journal(path: Path) -> object:
    (path.parent / "journal.jsonl").write_bytes(path.read_bytes())
    entries = read_journal(Pool(path.parent))
    return standings(entries), editions(entries)


def _release(path: Path) -> object:
    (path.parent / "manifest-sha256.txt").write_bytes(path.read_bytes())
    return check_release(path.parent)


def _run(path: Path) -> object:
    (path.parent / "run.json").write_bytes(path.read_bytes())
    (path.parent / "card.json").write_text(card_to_json(_card()))
    return read_run(path.parent)


def _shot(path: Path) -> object:
    path.with_suffix(".jpg").write_bytes(b"x")
    return read_shot(path.with_suffix(".jpg"))


_RECIPE = tomllib.loads(Path("configs/small.toml").read_text("utf-8"))
_POLYGONS = {"photo": "a.jpg", "m": [{"is": "CHEAL", "x": [1, 2, 3], "y": [1, 2, 9]}]}
_ADDED = {
    "what": "added", "digest": DIGEST, "who": "c", "at": "2024-05-04T00:00:00Z", "reason": "",
    "facts": {
        "batch": "b", "site": "s-0000000000000000", "giver": "g", "rights_holder": "R",
        "licence": "CC-BY-4.0", "tiles": 3, "counts": {"CHEAL": 1},
    },
    "before": "",
}  # fmt: skip
_TREATED = {
    "record": "treated", "id": 1, "x_mm": 1.0, "y_mm": 2.0, "off_mm": 1.0, "radius_mm": 2.0,
    "machine_x_mm": 0, "machine_y_mm": 0, "machine_heading_deg": 1,
}  # fmt: skip
_CAMERA = {
    "name": "c", "height_mm": 1000, "height_uncertainty_mm": 10,
    "image": {"width_px": 4000, "height_px": 3000},
    "lens": {"focal_length_mm": 4, "pixel_pitch_um": 2}, "pose": {"pitch_deg": 1, "roll_deg": 2},
    "plants": {"height_mm": 10, "least_mm": 0, "most_mm": 20},
}  # fmt: skip
_COCO = {
    "images": [{"id": 1, "file_name": "a.jpg", "width": 100, "height": 100}],
    "categories": [{"id": 1, "name": "CHEAL"}],
    "annotations": [
        {"id": 1, "image_id": 1, "category_id": 1, "bbox": [1, 2, 3, 4],
         "segmentation": [[1, 2, 3, 4, 5, 6]]},
    ],
}  # fmt: skip
_MAPPED = Mapped(marks="m", label="is", photo="photo", points="", x="x", y="y")

READERS = {
    "camera profile": Reader(read_camera_profile, _CAMERA, ".toml"),
    "policy": Reader(
        lambda path: read_policy(path, ["CHEAL", "DAUCS"]),
        {"name": "b", "remove": ["CHEAL"], "protect": ["DAUCS"]},
        ".toml",
    ),
    "mounting": Reader(read_mounting, {"x_mm": 1, "y_mm": 2, "rotation_deg": 3}, ".toml"),
    "recipe": Reader(read_recipe, _RECIPE, ".toml"),
    "giving": Reader(
        lambda path: read_giving(path, date(2026, 11, 25)),
        tomllib.loads(giving_toml(GIVING)),
        ".toml",
    ),
    "mapping": Reader(read_mapping, {"marks": "a", "label": "b", "x": "x", "y": "y"}, ".toml"),
    "workspace": Reader(_workspace, {"cell_mm": 50, "tile_px": 32, "edge": "drop"}, ".toml"),
    "card": Reader(
        lambda path: card_from_json(read_text(path, ModelError), str(path)),
        json.loads(card_to_json(_card())),
    ),
    "run": Reader(
        _run,
        {
            "recipe": {**_RECIPE},
            "photos": {"train": [DIGEST], "validation": [], "test": []},
            "epochs": [],
            "teacher": None,
        },
    ),
    "coco": Reader(read_coco, _COCO),
    "polygons": Reader(lambda path: read_polygons(path, _MAPPED), _POLYGONS),
    "polygons in YAML": Reader(lambda path: read_polygons(path, _MAPPED), _POLYGONS, ".yaml"),
    "measurement": Reader(
        lambda path: read_measurement(read_text(path, MeasurementError), str(path)),
        {"record": "check"},
    ),
    "odometry": Reader(_shot, {"odometry": {"x_mm": 1, "y_mm": 2, "heading_deg": 3}}),
    "journal": Reader(_journal, _ADDED, ".txt", lines=True),
    "treated plants": Reader(read_treated, _TREATED, lines=True),
    "review list": Reader(
        read_review_list, {"schema": "weedset review list", "version": 1}, lines=True
    ),
    "release": Reader(_release, {}),
    "names": Reader(lambda path: read_names(path, KNOWN), {}),
    "species": Reader(load_species, {}),
}


def places(value: object, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield where the values of a table stand, of lists the first two."""
    yield at
    if isinstance(value, dict):
        for name, item in value.items():
            yield from places(item, (*at, name))
    elif isinstance(value, list):
        for index, item in enumerate(value[:2]):
            yield from places(item, (*at, index))


_HERE = "put it here"


def put(value: object, at: tuple[Any, ...]) -> Any:
    if not at:
        return _HERE
    changed: Any = copy.deepcopy(value)
    inner = changed
    for name in at[:-1]:
        inner = inner[name]
    inner[at[-1]] = _HERE
    return changed


def as_toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {as_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_toml, value)) + "]"
    return json.dumps(value)


def written(reader: Reader) -> Iterator[bytes]:
    """Yield what a stranger might hand in for the file."""
    yield from FILES
    for at in places(reader.whole):
        changed = put(reader.whole, at)
        if reader.suffix == ".toml":
            if not at:
                continue
            text = "".join(f"{json.dumps(k)} = {as_toml(v)}\n" for k, v in changed.items())
        else:
            text = json.dumps(changed) + "\n" * reader.lines
        for word in VALUES:
            word = TOML_WORDS.get(word, word) if reader.suffix == ".toml" else word
            yield text.replace(json.dumps(_HERE), word).encode()
        yield text.replace(json.dumps(_HERE), '1, "\\u001b[2J": 1').encode()
    whole = json.dumps(reader.whole).encode()
    yield from (whole + whole, b"\xff" + whole, whole[: len(whole) // 2], whole + b"\x00")


def complain(read: Callable[[Path], object], path: Path, what: object) -> None:
    """Read; whatever is wrong must be told by an error of the tree, in words that show."""
    text = "read"
    try:
        read(path)
    except WeedsetError as error:
        text = str(error)
    except Exception as error:
        raise AssertionError(f"{error!r} for {what!r:.200}") from error
    assert text
    assert all(letter.isprintable() or letter == "\n" for letter in text), text
    assert max(map(len, text.split("\n"))) < 2_500


@pytest.mark.parametrize("name", READERS)
def test_nonsense_is_refused_in_words(name: str, tmp_path: Path) -> None:
    reader = READERS[name]
    path = tmp_path / f"file{reader.suffix}"
    for data in written(reader):
        path.write_bytes(data)
        complain(reader.read, path, data)


@pytest.mark.parametrize("name", ["camera profile", "policy", "recipe", "giving", "card", "coco"])
def test_marks_and_ends_of_lines_of_other_systems_are_read(name: str, tmp_path: Path) -> None:
    """A byte order mark and CRLF, as editors of some systems save a text."""
    reader = READERS[name]
    path = tmp_path / f"file{reader.suffix}"
    text = json.dumps(reader.whole, indent=1)
    if reader.suffix == ".toml":
        text = "".join(f"{k} = {as_toml(v)}\n" for k, v in reader.whole.items())
    path.write_bytes(text.encode())
    plain = reader.read(path)
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert reader.read(path) == plain


@pytest.mark.parametrize(
    "name", [n for n in READERS if n not in ("workspace", "journal", "release", "run", "odometry")]
)
def test_what_is_no_file_is_refused_in_words(name: str, tmp_path: Path) -> None:
    """A folder, nothing, a link to itself, a file that fails, and a device without an end."""
    path = tmp_path / f"file{READERS[name].suffix}"
    path.mkdir()
    complain(READERS[name].read, path, "a folder")
    path.rmdir()
    complain(READERS[name].read, path, "nothing")
    for target in (path, Path("/proc/self/mem"), Path("/dev/zero")):  # the second: EIO
        path.symlink_to(target)
        complain(READERS[name].read, path, target)
        path.unlink()
