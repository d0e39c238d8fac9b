"""Trains as told in JSON, in a process that may be stopped, killed, or one of several."""

import json
import sys
from pathlib import Path

from toy_garden import toy_recipe

from training.sources import from_workspace
from training.train import train
from weedset.settings import open_workspace


def main() -> None:
    told = json.loads(sys.argv[1])
    train(
        toy_recipe(**told["recipe"]),
        from_workspace(open_workspace(Path(told["garden"]))),
        Path(told["out"]),
        workers=told.get("workers", 0),
        save_every_s=0,
    )


if __name__ == "__main__":
    main()
