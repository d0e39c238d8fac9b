"""Releases a model and dies by SIGKILL at each step that this takes, judging it only once.

Run as a program: MODEL RUN GARDEN POLICY FOLDER. Prints how many steps there were; what the
n-th left lies in FOLDER/n.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from tests.pool.killing import kill_at_each_step
from training.releasing import release as module
from weedset.settings import open_workspace


def main() -> None:
    model, run, garden, policy, folder = map(Path, sys.argv[1:])
    judged: list[Any] = []
    judge = module.judge_release

    def judge_once(*asked: Any) -> Any:
        if not judged:
            judged.append(judge(*asked))
        return judged[0]

    module.judge_release = judge_once  # type: ignore[assignment]

    def release(place: Path) -> int:
        module.release(model, run, open_workspace(garden), policy, place / "beds-1", first=True)
        return 0

    (folder / "template").mkdir()
    release(folder / "judged")
    print(kill_at_each_step(folder / "template", folder, release))


if __name__ == "__main__":
    main()
