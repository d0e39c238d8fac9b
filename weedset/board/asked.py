"""What `python -m weedset.board` can be asked."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from weedset.board.gate import AUDIT_EVERY
from weedset.board.guards import Guards


def board_parser() -> argparse.ArgumentParser:
    """Return the parser of the command."""
    parser = argparse.ArgumentParser(
        prog="python -m weedset.board",
        usage="%(prog)s PHOTO... --model MODEL --camera CAMERA [--policy POLICY] [option ...]",
        description="Decide for each ground cell of photos: treat, leave or unsure. "
        "Positions are mm from the point straight below the lens, x to the right, y down.",
        epilog="This moves no tool. Keep people and animals away from a working machine.",
    )
    parser.add_argument(
        "photos",
        nargs="+",
        type=Path,
        metavar="PHOTO",
        help="photo or folder; - for frames from standard input; check, or check PHOTO, to learn "
        "whether this board is fit",
    )
    parser.add_argument("--model", required=True, type=Path, help="model file (ONNX with its card)")
    parser.add_argument("--camera", required=True, type=Path, help="camera profile (TOML)")
    parser.add_argument("--policy", type=Path, help="what to remove (TOML); nothing without one")
    parser.add_argument(
        "--threads",
        type=_threads,
        default=1,
        metavar="N",
        help="processor cores to use (%(default)d)",
    )
    _add_care(parser.add_argument_group("what is left alone"))
    _add_output(parser.add_argument_group("output"))
    _add_camera(parser.add_argument_group("at a running camera"))
    _add_drive(parser.add_argument_group("one map of a drive"))
    parser.add_argument_group("check").add_argument(
        "--seconds", type=_seconds, default=20.0, metavar="S", help="how long (%(default)g)"
    )
    return parser


def _add_care(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--keep-out",
        type=_mm,
        default=Guards().keep_out_mm,
        metavar="MM",
        help="the tool's reach: treat nothing nearer to plants that are protected or unknown "
        "(%(default)g)",
    )
    group.add_argument(
        "--least-green", type=_share, metavar="SHARE", help="skip cells less green than this"
    )
    group.add_argument(
        "--audit-every",
        type=_count,
        default=AUDIT_EVERY,
        metavar="N",
        help="classify every Nth skipped cell all the same (%(default)d; 0 is none)",
    )


def _add_output(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--json", action="store_true", help="write JSON Lines for programs")
    group.add_argument("--overlay", type=Path, metavar="DIR", help="draw the decisions into DIR")
    group.add_argument("--log", type=Path, metavar="FILE", help="append the output to FILE too")
    group.add_argument(
        "--log-mb",
        type=_megabytes,
        default=10.0,
        metavar="MB",
        help="size of a full log (%(default)g)",
    )


def _add_camera(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--watch", action="store_true", help="wait for new photos in the folder PHOTO"
    )
    group.add_argument(
        "--frames",
        choices=("jpegs", "lengths", "headed"),
        default="jpegs",
        help="frames on standard input: JPEGs one after the other (MJPEG), each after its length "
        "(4 bytes, big-endian), or each after a line of JSON with its length and perhaps its "
        "odometry (%(default)s)",
    )
    group.add_argument(
        "--stale-after",
        type=_ms,
        default=Guards().stale_after_ms,
        metavar="MS",
        help="treat nothing in frames older than this (%(default)g)",
    )


def _add_drive(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--drive",
        type=Path,
        metavar="MOUNTING",
        help="make one map of overlapping frames, so that no plant is treated twice; MOUNTING "
        "says where the camera hangs (TOML); needs --treated",
    )
    group.add_argument(
        "--treated", type=Path, metavar="FILE", help="note what is treated in FILE, one per drive"
    )
    group.add_argument(
        "--anchor",
        type=_far,
        nargs=5,
        metavar=("X", "Y", "HEADING", "OFF_MM", "OFF_DEG"),
        help="where the machine stands in the drive of FILE after a restart (mm, degrees), and "
        "how sure that is",
    )


def _threads(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"should be a whole number from 1 to 64, not {text!r}")
    return int(text)


def _share(text: str) -> float:
    return _number(text, 1, "a share from 0 to 1")


def _mm(text: str) -> float:
    return _number(text, 10_000, "mm from 0 to 10000")


def _far(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not abs(value) <= 1e9:
        raise argparse.ArgumentTypeError(f"should be a number, not {text!r}")
    return value


def _ms(text: str) -> float:
    return _number(text, 3_600_000, "ms from 0 to 3600000")


def _seconds(text: str) -> float:
    return _number(text, 86_400, "seconds from 0 to 86400")


def _megabytes(text: str) -> float:
    return _number(text, 10_000, "MB from 0 to 10000")


def _number(text: str, most: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= most:
        raise argparse.ArgumentTypeError(f"should be {what}, not {text!r}")
    return value


def _count(text: str) -> int:
    if not text.isdecimal() or len(text) > 9:
        raise argparse.ArgumentTypeError(f"should be a whole number, not {text!r}")
    return int(text)
