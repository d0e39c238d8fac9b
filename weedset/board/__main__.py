"""`python -m weedset.board`: photos in, decisions out, with nothing but the base install."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from weedset.board.classify import ClassifiedPhoto
from weedset.board.eye import Eye, open_eye
from weedset.board.gate import AUDIT_EVERY, Gate
from weedset.board.guards import Guards
from weedset.board.overlay import write_overlay
from weedset.board.report import action_counts, cell_records, gate_tally, photo_record, printable
from weedset.errors import WeedsetError
from weedset.images import find_photos
from weedset.modelcard import ModelCard
from weedset.records import Action


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code: 0 ok, 1 expected failure, 2 usage."""
    asked = _parser().parse_intermixed_args(arguments)
    try:
        eye = open_eye(
            asked.model,
            asked.camera,
            asked.policy,
            gate=_gate(asked),
            guards=_guards(asked),
            threads=asked.threads,
        )
    except WeedsetError as error:
        _complain(error)
        return error.exit_code
    if not asked.policy:
        _say("No policy given, so nothing is treated: --policy says what to remove.")
    try:
        bad = _classify_all(asked, eye)
        sys.stdout.flush()
    except BrokenPipeError:  # whoever read our lines has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    _say(eye.model.card.caution)
    return 1 if bad else 0


def _classify_all(asked: argparse.Namespace, eye: Eye) -> int:
    """Classify photo by photo; a bad one is told of and the next one taken. Return how many."""
    bad, card = 0, eye.model.card
    for found in _each_photo(asked.photos):
        try:
            if isinstance(found, WeedsetError):
                raise found
            photo = eye.photo(found)
            if asked.overlay:
                _say(f"drew {write_overlay(found, photo, card, asked.overlay)}")
        except WeedsetError as error:
            bad += 1
            _complain(error)
            continue
        lines = (_json_lines if asked.json else _plain_lines)(photo, card)
        sys.stdout.writelines(f"{line}\n" for line in lines)
    return bad


def _gate(asked: argparse.Namespace) -> Gate | None:
    return None if asked.least_green is None else Gate(asked.least_green, asked.audit_every)


def _guards(asked: argparse.Namespace) -> Guards:
    return replace(Guards(), keep_out_mm=asked.keep_out)


def _each_photo(paths: list[Path]) -> Iterator[Path | WeedsetError]:
    """Yield the photos among files and folders, and what is wrong with the others."""
    for path in paths:
        try:
            yield from find_photos([path])
        except WeedsetError as error:
            yield error


def _json_lines(photo: ClassifiedPhoto, card: ModelCard) -> Iterator[str]:
    for record in (photo_record(photo, card), *cell_records(photo, card)):
        yield json.dumps(record, allow_nan=False)  # ASCII: a file name need not be UTF-8


def _plain_lines(photo: ClassifiedPhoto, card: ModelCard) -> Iterator[str]:
    """Yield a summary, then each cell that is more than left alone."""
    counts = action_counts(photo)
    tally = ", ".join(f"{counts[action]} {action}" for action in Action)
    yield f"{printable(photo.name)}: {len(photo.cells)} cells: {tally}"
    if photo.gate is not None:
        gate = gate_tally(photo, card)
        yield (
            f"  gate: {gate.skipped} skipped; {gate.audited} looked at all the same, "
            f"{gate.audited_with_plant} of them with a plant"
        )
    for cell in photo.cells:
        if cell.decision.action is not Action.LEAVE:
            place = f"row {cell.row} col {cell.col} at ({cell.x_mm:.1f}, {cell.y_mm:.1f}) mm"
            yield f"  {cell.decision.action}: {place}: {cell.decision.reason}"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m weedset.board",
        description="Decide for each ground cell of photos: treat, leave or unsure. "
        "Positions are mm from the point straight below the lens, x to the right, y down.",
        epilog="This moves no tool. Keep people and animals away from a working machine.",
    )
    parser.add_argument("photos", nargs="+", type=Path, metavar="PHOTO", help="photo or folder")
    parser.add_argument("--model", required=True, type=Path, help="model file (ONNX with its card)")
    parser.add_argument("--camera", required=True, type=Path, help="camera profile (TOML)")
    parser.add_argument("--policy", type=Path, help="what to remove (TOML); nothing without one")
    parser.add_argument("--overlay", type=Path, metavar="DIR", help="draw the decisions into DIR")
    parser.add_argument(
        "--keep-out",
        type=_mm,
        default=Guards().keep_out_mm,
        metavar="MM",
        help="treat nothing nearer to plants that are protected or unknown (10)",
    )
    parser.add_argument(
        "--least-green", type=_share, metavar="SHARE", help="skip cells less green than this"
    )
    parser.add_argument(
        "--audit-every",
        type=_count,
        default=AUDIT_EVERY,
        metavar="N",
        help="classify every Nth skipped cell all the same (50; 0 is none)",
    )
    parser.add_argument("--json", action="store_true", help="write JSON Lines for programs")
    parser.add_argument("--threads", type=_threads, default=1, help="processor cores to use (1)")
    return parser


def _threads(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"should be a whole number from 1 to 64, not {text!r}")
    return int(text)


def _share(text: str) -> float:
    return _number(text, 1, "a share from 0 to 1")


def _mm(text: str) -> float:
    return _number(text, 10_000, "mm from 0 to 10000")


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


def _say(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def _complain(error: WeedsetError) -> None:
    _say(f"error: {error}")
    if error.fix:
        _say(f"  do: {error.fix}")


if __name__ == "__main__":
    sys.exit(main())
