"""``python -m sample_data OUT_DIR``: write drawn gardens with their truth."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sample_data.sites import SITES
from sample_data.write import Order, write


def _size(text: str) -> tuple[int, int]:
    try:
        width, height = (int(part) for part in text.lower().split("x"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no size such as 1296x972") from None
    if not (160 <= width <= 4096 and 120 <= height <= 4096):
        raise argparse.ArgumentTypeError("a size lies between 160x120 and 4096x4096")
    return width, height


def main(arguments: list[str] | None = None) -> int:
    """Read the command line, write the set, say where it is. Returns the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m sample_data",
        description="Write ground photos of invented gardens, drawn, with exact truth.",
    )
    parser.add_argument("out", type=Path, metavar="OUT_DIR", help="a directory that is not there")
    parser.add_argument("--sites", type=int, default=8, help=f"1 to {len(SITES)} (default 8)")
    parser.add_argument("--photos-per-site", type=int, default=5, help="default 5")
    parser.add_argument("--seed", type=int, default=1, help="default 1")
    parser.add_argument("--size", type=_size, default=(1296, 972), metavar="WxH")
    options = parser.parse_args(arguments)
    width, height = options.size
    order = Order(options.sites, options.photos_per_site, options.seed, width, height)
    try:
        count = write(options.out, order)
    except (ValueError, FileExistsError) as problem:
        print(f"sample_data: {problem}", file=sys.stderr)
        return 1
    print(f"drew {count} photos of {order.sites} gardens into {options.out}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
