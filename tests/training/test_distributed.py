"""Two processes learn what one learns: the same batches, batch norm and gradients."""

import json
import os
import subprocess
import sys
from pathlib import Path
from socket import socket

import pytest
import torch
from one_step import one_step
from safetensors.torch import load_file
from toy_garden import toy_recipe

from training.distributed import World, joined_world
from training.runs import read_run
from training.sources import from_workspace
from training.train import train
from weedset.errors import TrainingError
from weedset.settings import Workspace

HERE = Path(__file__).parent
ALONE = World(0, 1, 1, torch.device("cpu"))
CHANGES: dict[str, object] = {"epochs": 3, "learning_rate": 0.001}


def started(how: str, script: str, told: dict[str, object]) -> subprocess.Popen[str]:
    """Start a script as torchrun does, told `how`."""
    env = {**os.environ, "PYTHONPATH": f"{HERE.parents[1]}:{HERE}", "OMP_NUM_THREADS": "1"}
    words = ["-m", "torch.distributed.run", *how.split(), str(HERE / script), json.dumps(told)]
    return subprocess.Popen(
        [sys.executable, *words], env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def ended(running: subprocess.Popen[str]) -> str:
    """Return what a program said, once it has ended well."""
    _, said = running.communicate(timeout=300)
    assert running.returncode == 0, said
    return said


def by_two(script: str, told: dict[str, object]) -> str:
    """Run a script in two processes as torchrun does; return what they said."""
    return ended(started("--nproc-per-node 2 --standalone", script, told))


def test_two_processes_have_the_gradients_of_one(tmp_path: Path) -> None:
    # Reference: torch's own batch norm and gradients over the whole batch, in float64.
    one_step(ALONE, tmp_path / "one.safetensors")
    by_two("one_step.py", {"out": str(tmp_path / "two.safetensors")})
    one, two = (load_file(tmp_path / f"{name}.safetensors") for name in ("one", "two"))
    assert one.keys() == two.keys()
    for name, value in one.items():
        torch.testing.assert_close(two[name], value, rtol=1e-9, atol=1e-12)


def test_two_machines_have_the_gradients_of_one(tmp_path: Path) -> None:
    """Two starts of torchrun that find each other by an address, as on two machines."""
    one_step(ALONE, tmp_path / "one.safetensors")
    with socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    told: dict[str, object] = {"out": str(tmp_path / "two.safetensors")}
    meeting = f"--nnodes 2 --nproc-per-node 1 --master-addr 127.0.0.1 --master-port {port}"
    both = [started(f"{meeting} --node-rank {i}", "one_step.py", told) for i in range(2)]
    for running in both:
        ended(running)
    one, two = (load_file(tmp_path / f"{name}.safetensors") for name in ("one", "two"))
    for name, value in one.items():
        torch.testing.assert_close(two[name], value, rtol=1e-9, atol=1e-12)


@pytest.mark.slow
def test_two_processes_learn_as_one_does(garden: Workspace, tmp_path: Path) -> None:
    train(toy_recipe(**CHANGES), from_workspace(garden), tmp_path / "one")
    told = {"garden": str(garden.root), "out": str(tmp_path / "two"), "recipe": CHANGES}
    said = by_two("train_apart.py", told)
    assert said.count("The run is in") == 1
    one, two = (read_run(tmp_path / name) for name in ("one", "two"))
    assert one.card.codes == two.card.codes
    # AdamW turns rounding into steps of the size of the learning rate: losses drift apart.
    assert two.losses == pytest.approx(one.losses, rel=0.01)


def test_more_processes_than_graphics_cards_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: True)
    monkeypatch.setattr(torch.cuda, "device_count", lambda: 1)
    monkeypatch.setenv("LOCAL_WORLD_SIZE", "2")
    with (
        pytest.raises(TrainingError, match=r"2 processes .* 1 graphics cards") as caught,
        joined_world(),
    ):
        pass
    assert "--nproc-per-node 1" in caught.value.fix
