"""A run that was stopped, however roughly, ends as if it had never stopped."""

import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic, sleep

import pytest
import torch
from safetensors.torch import load_file
from toy_garden import make_garden, toy_photos, toy_recipe

from training.runs import read_run
from training.sources import from_workspace
from training.timing import Epoch
from training.train import train
from weedset.errors import SettingsError, TrainingError
from weedset.settings import Workspace

HERE = Path(__file__).parent
#: Dropout, augmentation and shuffling are all at work. 126 tiles: four steps an epoch.
CHANGES: dict[str, object] = {"epochs": 12, "dropout": 0.2}


def start(garden: Workspace, out: Path) -> subprocess.Popen[bytes]:
    told = {"garden": str(garden.root), "out": str(out), "recipe": CHANGES, "workers": 1}
    words = [sys.executable, str(HERE / "train_apart.py"), json.dumps(told)]
    env = {**os.environ, "PYTHONPATH": f"{HERE.parents[1]}:{HERE}"}
    return subprocess.Popen(words, env=env, stderr=subprocess.PIPE, start_new_session=True)


def await_checkpoint(folder: Path, process: subprocess.Popen[bytes]) -> Path:
    path, until = folder / "checkpoint.safetensors", monotonic() + 60
    while not path.exists():
        assert process.poll() is None, "ended without a checkpoint"
        assert monotonic() < until
        sleep(0.01)
    return path


@pytest.fixture(scope="module")
def unstopped(garden: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("unstopped")
    resumed(garden, out)
    return out


@pytest.fixture(scope="module", params=[signal.SIGKILL, signal.SIGTERM])
def stopped(
    request: pytest.FixtureRequest, garden: Workspace, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """What is left of a run that was killed, or told to stop."""
    out = tmp_path_factory.mktemp("stopped")
    process = start(garden, out)
    await_checkpoint(out, process)
    os.killpg(process.pid, request.param)  # as a terminal does, to its workers as well
    _, said = process.communicate()
    if request.param is signal.SIGTERM:
        assert b"KeyboardInterrupt" in said
    assert process.returncode != 0
    assert not (out / "run.json").exists()
    return out


def test_a_stopped_run_ends_as_if_it_had_never_stopped(
    garden: Workspace, unstopped: Path, stopped: Path, tmp_path: Path
) -> None:
    shutil.copytree(stopped, tmp_path, dirs_exist_ok=True)
    resumed(garden, tmp_path)
    expected, found = (load_file(f / "model.safetensors") for f in (unstopped, tmp_path))
    assert expected.keys() == found.keys()
    assert all(torch.equal(expected[name], found[name]) for name in expected)
    assert read_run(tmp_path).losses == read_run(unstopped).losses
    assert read_run(tmp_path).card == read_run(unstopped).card
    left = {file.name for file in tmp_path.iterdir() if not file.name.startswith(".")}
    assert left == {"model.safetensors", "card.json", "run.json"}


def test_going_on_is_said_once_and_no_old_epoch_is_told_again(
    garden: Workspace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    @contextmanager
    def stopped_after_two(_: int) -> Iterator[Callable[[int, Epoch], None]]:
        def done(number: int, _: Epoch) -> None:
            if number == 2:
                raise KeyboardInterrupt

        yield done

    recipe, source = toy_recipe(epochs=4), from_workspace(garden)
    with monkeypatch.context() as patched:
        patched.setattr("training.train.epochs_told", stopped_after_two)
        with pytest.raises(KeyboardInterrupt):
            train(recipe, source, tmp_path, save_every_s=0)
    assert "going on" not in capsys.readouterr().err
    train(recipe, source, tmp_path)
    told = re.findall(r"(.*\bepoch \d of 4)\b", capsys.readouterr().err)
    assert told == ["going on after epoch 2 of 4", "epoch 3 of 4", "epoch 4 of 4"]
    assert len(read_run(tmp_path).losses) == 4


def resumed(garden: Workspace, folder: Path, **changes: object) -> None:
    train(toy_recipe(**(CHANGES | changes)), from_workspace(garden), folder)


def test_another_recipe_does_not_go_on_and_the_setting_is_named(
    garden: Workspace, stopped: Path
) -> None:
    before = (stopped / "checkpoint.safetensors").read_bytes()
    with pytest.raises(SettingsError, match=r"other recipe \(epochs was 12, is now 13\)") as caught:
        resumed(garden, stopped, epochs=13)
    assert "--out" in caught.value.fix
    assert (stopped / "checkpoint.safetensors").read_bytes() == before


def test_other_labels_do_not_go_on(stopped: Path, tmp_path: Path) -> None:
    other = make_garden(tmp_path, toy_photos(("north", "south", "east"), each=2))
    with pytest.raises(SettingsError, match="of a run with other labels"):
        resumed(other, stopped)


@pytest.mark.parametrize("damage", ["cut short", "no checkpoint"])
def test_a_damaged_checkpoint_is_told(
    garden: Workspace, stopped: Path, tmp_path: Path, damage: str
) -> None:
    data = (stopped / "checkpoint.safetensors").read_bytes()
    damaged = data[: len(data) // 2] if damage == "cut short" else b"x" * 100
    (tmp_path / "checkpoint.safetensors").write_bytes(damaged)
    with pytest.raises(SettingsError, match="is damaged") as caught:
        resumed(garden, tmp_path)
    assert "remove it" in caught.value.fix


def test_a_finished_run_is_not_overwritten(garden: Workspace, run_dir: Path) -> None:
    before = {file.name: file.read_bytes() for file in run_dir.iterdir()}
    with pytest.raises(SettingsError, match="holds a finished run already") as caught:
        resumed(garden, run_dir)
    assert "--out" in caught.value.fix
    assert {file.name: file.read_bytes() for file in run_dir.iterdir()} == before


@contextmanager
def no_file_longer_than(count: int) -> Iterator[None]:
    """A disk that is full: the system itself refuses to write on."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (count, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_on_a_full_disk_the_last_good_checkpoint_is_kept(
    garden: Workspace, stopped: Path, tmp_path: Path
) -> None:
    kept = tmp_path / "checkpoint.safetensors"
    shutil.copy(stopped / kept.name, kept)
    before = kept.read_bytes()
    with (
        no_file_longer_than(100_000),
        pytest.raises(TrainingError, match="the checkpoint before it is untouched") as caught,
    ):
        train(toy_recipe(**CHANGES), from_workspace(garden), tmp_path, save_every_s=0)
    assert "make room" in caught.value.fix
    assert kept.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == [kept.name]
