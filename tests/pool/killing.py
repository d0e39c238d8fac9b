"""Doing something to copies of a pool, and killing it (kill -9) at each step that it takes.

Run as a program: python -m tests.pool.killing POOL FOLDER WHAT [WORDS]. For n = 1, 2, ... the
pool is copied to FOLDER/n and a process of its own does WHAT there until its n-th step that
touches the copy; there it dies by SIGKILL. Prints how many steps there were.

Steps are what Python's audit hooks tell of (PEP 578: open, rename, remove, mkdir, truncate),
and each call of fsync and of pwrite, of which the latter writes half first.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from typer.testing import CliRunner

from weedset.cli import app

_STEPS = {"open", "os.rename", "os.remove", "os.mkdir", "os.truncate", "os.rmdir"}


class Countdown:
    """Kills this process at its n-th step."""

    def __init__(self, steps: int, root: Path) -> None:
        self._left, self._root = steps, str(root)

    def step(self, before: Callable[[], object] = lambda: None) -> None:
        self._left -= 1
        if self._left == 0:
            before()
            os.kill(os.getpid(), signal.SIGKILL)

    def install(self) -> None:
        fsync, pwrite = os.fsync, os.pwrite

        def counted_fsync(fd: int) -> None:
            self.step()
            fsync(fd)

        def counted_pwrite(fd: int, data: bytes, at: int) -> int:
            self.step(lambda: pwrite(fd, data[: len(data) // 2], at))
            return pwrite(fd, data, at)

        os.fsync, os.pwrite = counted_fsync, counted_pwrite  # type: ignore[assignment]

        def hook(event: str, arguments: tuple[object, ...]) -> None:
            if event in _STEPS and arguments and self._root in str(arguments[0]):
                self.step()

        sys.addaudithook(hook)


def kill_at_each_step(template: Path, folder: Path, work: Callable[[Path], int]) -> int:
    """Do `work` on copies of `template`, each killed a step later; return how many there were.

    `work` returns an exit code: -1 is returned where that is not 0.
    """
    steps = 0
    while True:
        steps += 1
        copy = folder / str(steps)
        shutil.copytree(template, copy)
        child = os.fork()
        if child == 0:
            Countdown(steps, copy).install()
            os._exit(work(copy))
        _, status = os.waitpid(child, 0)
        if os.WIFEXITED(status):
            return steps if os.WEXITSTATUS(status) == 0 else -1


def main() -> None:
    template, folder, *words = sys.argv[1:]

    def command(pool: Path) -> int:
        filled = [word.replace("POOL", str(pool)) for word in words]
        return CliRunner().invoke(app, filled).exit_code

    print(kill_at_each_step(Path(template), Path(folder), command))


if __name__ == "__main__":
    main()
