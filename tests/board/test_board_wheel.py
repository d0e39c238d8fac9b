"""The wheel in a clean environment: Python, numpy, pillow, onnxruntime, and the board works."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import venv
from collections.abc import Iterator, Sequence
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest
from packaging.requirements import Requirement
from PIL import Image
from tiny_model import CARD, write_model

from weedset import __version__
from weedset.board.measurement import read_measurement

ROOT = Path(__file__).resolve().parents[2]

#: Runs the board, and tells what was imported on the way.
TELLING = """
import json, runpy, sys
try:
    runpy.run_module("weedset.board", run_name="__main__", alter_sys=True)
finally:
    with open("imported.json", "w") as file:
        json.dump(sorted(sys.modules), file)
"""

#: What `weedset` needs without any extra: see tests/test_packaging.py.
BASE = ("numpy", "pillow", "onnxruntime")


def with_what_they_need(names: Sequence[str]) -> Iterator[metadata.Distribution]:
    """Yield installed distributions and all that they need without extras."""
    waiting, met = list(names), set()
    while waiting:
        name = waiting.pop()
        if name.lower() in met:
            continue
        met.add(name.lower())
        found = metadata.distribution(name)
        yield found
        for needed in map(Requirement, found.requires or []):
            if needed.marker is None or needed.marker.evaluate({"extra": ""}):
                waiting.append(needed.name)


def link_into(site: Path, found: metadata.Distribution) -> None:
    """Make the files of an installed distribution show up in another environment."""
    for file in found.files or []:
        if ".." not in file.parts and "__pycache__" not in file.parts:
            place = site.joinpath(*file.parts)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.symlink_to(Path(str(found.locate_file(file))).resolve())


def run(*command: str | Path, cwd: Path | None = None) -> str:
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, capture_output=True, encoding="utf-8"
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the wheel and the base install; returns its Python."""
    folder = tmp_path_factory.mktemp("clean")
    source = folder / "source"  # building leaves things behind
    source.mkdir()
    for name in ("weedset", "training"):
        shutil.copytree(
            ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__", ".*")
        )
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    build = (sys.executable, "-m", "build", "--wheel", "--no-isolation")
    run(*build, "--outdir", folder, source)
    (wheel,) = folder.glob("*.whl")

    venv.create(folder / "env", symlinks=True)
    python = folder / "env" / "bin" / "python"
    site = Path(run(python, "-c", "import site; print(site.getsitepackages()[0])").strip())
    for found in with_what_they_need(BASE):
        link_into(site, found)
    pip = (sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check")
    run(*pip, "install", "--no-index", "--root-user-action", "ignore", wheel)
    run(*pip, "check")
    return python


def test_the_board_works_and_imports_nothing_else(clean: Path, tmp_path: Path) -> None:
    write_model(tmp_path / "m.onnx")
    (tmp_path / "c.toml").write_text(
        'name = "c"\nheight_mm = 1000\n[lens]\nfocal_length_mm = 4\npixel_pitch_um = 2\n'
    )
    (tmp_path / "p.toml").write_text('name = "bed"\nremove = ["CHEAL"]\n')
    noise = np.random.default_rng(1).integers(-2, 8, (300, 400, 3))
    reds = (np.array((248, 2, 2)) + noise).clip(0, 255).astype(np.uint8)
    Image.fromarray(reds).save(tmp_path / "reds.jpg", quality=98, subsampling=0)
    asked = ("reds.jpg", "--model", "m.onnx", "--camera", "c.toml", "--policy", "p.toml")
    asked = (*asked, "--json", "--overlay", "drawn", "--log", "log.jsonl", "--least-green", "0")

    lines = run(clean, "-I", "-c", TELLING, *asked, cwd=tmp_path).splitlines()
    assert (tmp_path / "drawn").is_dir()
    head, *cells = [json.loads(line) for line in lines]
    assert head["counts"] == {"treat": 12, "leave": 0, "unsure": 0}
    assert len(cells) == 12

    imported = json.loads((tmp_path / "imported.json").read_text())
    strange = {name.partition(".")[0] for name in imported} - sys.stdlib_module_names
    # Cython, in numpy, leaves modules of no file.
    strange = {name for name in strange if not name.startswith(("_cython", "cython_runtime"))}
    assert strange <= {"weedset", "numpy", "PIL", "onnxruntime", "__main__"}
    here = (sys.executable, "-m", "weedset.board", *asked)
    assert run(*here, cwd=tmp_path).splitlines() == lines


def test_the_board_is_checked_with_the_data_files_of_the_wheel(clean: Path, tmp_path: Path) -> None:
    write_model(tmp_path / "m.onnx", replace(CARD, mmac=0.1))
    (tmp_path / "c.toml").write_text(
        'name = "c"\n[scale]\ngsd_mm_per_px = 0.5\n[image]\nwidth_px = 400\nheight_px = 300\n'
    )
    asked = ("check", "--model", "m.onnx", "--camera", "c.toml", "--seconds", "0", "--json")
    record = run(clean, "-I", "-m", "weedset.board", *asked, cwd=tmp_path)
    found = read_measurement(record, "check")
    assert found.versions["weedset"] == __version__
    (tmp_path / "my-board.json").write_text(record)
    table = ("-m", "weedset.board.speedtable", "my-board.json")
    assert "Cortex-A53" in run(clean, "-I", *table, cwd=tmp_path)


def test_the_desk_says_what_is_missing(clean: Path) -> None:
    done = subprocess.run(
        [str(clean.with_name("weedset")), "status"], capture_output=True, encoding="utf-8"
    )
    assert done.returncode == 1
    assert "weedset[desk]" in done.stderr
    assert "Traceback" not in done.stderr
