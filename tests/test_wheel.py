"""What is given away: built as anyone would, installed elsewhere with its own parts alone."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import venv
import zipfile
from collections.abc import Iterator
from email import message_from_bytes
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import weedset
from tests.conftest import SavePhoto

ROOT = Path(__file__).resolve().parent.parent

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build sdist and, from that, wheel, in a copy, so that nothing is left in the checkout."""
    source, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("dist")
    for name in ("weedset", "training"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    build = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(source)]
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    done = subprocess.run(build, env=env, capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert not re.search("warning|deprecat", said, re.IGNORECASE), said
    return out


@pytest.fixture(scope="module")
def wheel(built: Path) -> Path:
    (path,) = built.glob("*.whl")
    return path


def test_every_file_that_the_program_reads_is_inside(built: Path, wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as tar:
        given = {item.name.partition("/")[2] for item in tar if item.isfile()}
    for package in ("weedset", "training"):
        for path in (ROOT / package).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                name = str(path.relative_to(ROOT))
                assert name in inside, name
                assert name in given, name
    for path in (ROOT / "configs").iterdir():
        assert f"training/configs/{path.name}" in inside & given
    assert {name.partition("/")[0] for name in inside} == {
        "weedset", "training", f"weedset-{weedset.__version__}.dist-info",
    }  # fmt: skip


def needs(wheel: Path, extra: str) -> Iterator[Requirement]:
    with zipfile.ZipFile(wheel) as archive:
        (name,) = [name for name in archive.namelist() if name.endswith(".dist-info/METADATA")]
        facts = message_from_bytes(archive.read(name))
    for line in facts.get_all("Requires-Dist") or []:
        wanted = Requirement(line)
        if wanted.marker is None or wanted.marker.evaluate({"extra": extra}):
            yield wanted


def make_place(folder: Path, wheel: Path, extra: str) -> Path:
    """Make an environment with the wheel and what one part asks for, linked from this one."""
    venv.create(folder, with_pip=False, symlinks=True)
    (site,) = folder.glob("lib/python*/site-packages")
    waiting, seen = list(needs(wheel, extra)), set()
    while waiting:
        wanted = waiting.pop()
        name = canonicalize_name(wanted.name)
        if name == "weedset":  # one part asks for another; the package itself is the wheel's
            waiting += [item for part in wanted.extras for item in needs(wheel, part)]
            continue
        if name in seen:
            continue
        seen.add(name)
        package = metadata.distribution(name)
        for top in {file.parts[0] for file in package.files or []} - {"..", "__pycache__"}:
            if not (site / top).exists():
                (site / top).symlink_to(Path(str(package.locate_file(top))))
        for line in package.requires or []:
            below = Requirement(line)
            if below.marker is None or any(
                below.marker.evaluate({"extra": part}) for part in ("", *wanted.extras)
            ):
                waiting.append(below)
    python = folder / "bin" / "python"
    install = [sys.executable, "-m", "pip", "--python", str(python), "install", "--no-deps"]
    done = subprocess.run(
        [*install, "--no-index", "--disable-pip-version-check", str(wheel)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return folder / "bin"


def run(bin_: Path, here: Path, *words: str, code: int = 0) -> str:
    """Run a program of that environment, far from the checkout; returns all it says."""
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    done = subprocess.run(
        [bin_ / words[0], *words[1:]], cwd=here, env=env, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    said = done.stdout + done.stderr
    assert done.returncode == code, f"{words}\n{said}"
    assert "Traceback" not in said
    return said


def test_the_desk_part_is_enough_from_photos_to_a_contribution(
    wheel: Path, tmp_path: Path, save_photo: SavePhoto, camera_toml: Path
) -> None:
    bin_ = make_place(tmp_path / "place", wheel, "desk")
    here = tmp_path / "here"
    here.mkdir()
    save_photo("here/photos/a.jpg", size=(400, 300))
    shutil.copy(camera_toml, here / "cart.toml")
    (here / "labels.csv").write_text("photo,row,col,species\na.jpg,0,0,CHEAL\n")
    for line in (
        "weedset doctor contributor",
        "weedset new garden",
        "weedset tile photos --camera cart.toml --site acre -w garden",
        "weedset import csv labels.csv --looked-for CHEAL -w garden",
        "weedset quality -w garden --sheet glance.jpg",
        "weedset status garden",
        "weedset species carrot",
        "weedset camera sheet board.pdf",
        "weedset licences",
        "weedset label --help",
        "weedset pool new pool",
    ):
        run(bin_, here, *line.split())
    assert run(bin_, here, "weedset", "--version").strip() == f"weedset {weedset.__version__}"
    said = run(bin_, here, "weedset", "doctor", "training", code=1)
    assert "training: not ready, for torch" in said
    assert "EfficientNet-Lite0" in run(bin_, here, "weedset", "recipes")
    said = run(bin_, here, "weedset", "train", "teacher", "-w", "garden", "--out", "o", code=1)
    assert "pip install 'weedset[train]'" in said
    assert "1 labelled" in run(bin_, here, "weedset", "status", "garden")


def test_the_training_part_is_enough_to_train_by_a_given_recipe(
    wheel: Path, tmp_path: Path
) -> None:
    bin_ = make_place(tmp_path / "place", wheel, "train")
    here = tmp_path / "here"
    here.mkdir()
    run(bin_, here, "weedset", "new", "garden")
    train = ("weedset", "train")
    said = run(bin_, here, *train, "techer", "-w", "garden", "--out", "o", code=1)
    assert "did you mean teacher? weedset has demo, small, student15" in said
    # The recipe is found: what is missing is labels.
    said = run(bin_, here, *train, "teacher", "-w", "garden", "--out", "o", code=1)
    assert "label some" in said


def test_the_lock_fits_what_is_asked_for() -> None:
    text = (ROOT / "requirements.lock").read_text("utf-8")
    assert "://" not in text, "a lock says which, not where from"
    locked = dict(re.findall(r"^([\w.-]+)==(\S+)$", text, re.MULTILINE))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    parts = [project["dependencies"], *project["optional-dependencies"].values()]
    for wanted in (Requirement(line) for part in parts for line in part):
        if wanted.name != "weedset":
            version = locked.get(canonicalize_name(wanted.name))
            assert version is not None, f"{wanted.name} is not locked: run `make lock`"
            assert wanted.specifier.contains(version), f"{wanted.name} {version}: run `make lock`"
