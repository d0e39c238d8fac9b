"""`python -m weedset.board`: photos in, decisions out, with nothing but the base install."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from time import sleep

from weedset.board.asked import board_parser
from weedset.board.classify import ClassifiedPhoto
from weedset.board.decide import treats_nothing
from weedset.board.drives.drive import Drive
from weedset.board.drives.following import Followed, drive_lines, drive_records, follow, open_drive
from weedset.board.eye import Eye, open_eye
from weedset.board.fitness import check_board, fitness_lines
from weedset.board.frames import Newest, Shot, WatchedFolder, read_shot
from weedset.board.gate import Gate
from weedset.board.guards import Guards
from weedset.board.measurement import check_record
from weedset.board.overlay import write_overlay
from weedset.board.report import cell_records, gate_tally, photo_line, photo_record
from weedset.board.rollinglog import RollingLog
from weedset.board.streams import Incoming, concatenated_jpegs, headed, length_prefixed
from weedset.errors import CheckNotPassedError, WeedsetError, in_lines
from weedset.modelcard import ModelCard, reminder
from weedset.photofiles import find_photos
from weedset.records import Action

#: How often a watched folder is looked at.
_LOOK_EVERY_S = 0.1


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return its exit code: 0 ok, 1 expected failure, 2 usage."""
    parser = board_parser()
    asked = parser.parse_intermixed_args(arguments)
    check = asked.photos[0] == Path("check")
    live = asked.watch or Path("-") in asked.photos
    if live and (len(asked.photos) > 1 or asked.overlay):
        parser.error("--watch and - take one PHOTO and no --overlay")
    if bool(asked.drive) != bool(asked.treated) or (asked.anchor and not asked.drive):
        parser.error("--drive and --treated go together, and --anchor with them")
    if asked.anchor and min(asked.anchor[3:]) < 0:
        parser.error("--anchor: OFF_MM and OFF_DEG are 0 or more")
    if asked.drive and not live:
        parser.error("--drive is for --watch and for -")
    if asked.watch and not asked.photos[0].is_dir():
        parser.error(f"--watch needs a folder: {asked.photos[0]}")
    try:
        eye = open_eye(
            asked.model,
            asked.camera,
            asked.policy,
            gate=_gate(asked),
            guards=_guards(asked),
            threads=asked.threads,
        )
        drive = open_drive(eye, asked.drive, asked.treated, asked.anchor) if asked.drive else None
    except WeedsetError as error:
        _complain(error)
        return error.exit_code
    if check:
        return _check(asked, eye)
    if not asked.policy:
        _say("No policy given, so nothing is treated: --policy says what to remove.")
    elif why := treats_nothing(eye.model.card, eye.policy):
        _say(f"NOTE: nothing is treated, since {why}.")
    out = _Out(asked, eye.model.card)
    try:
        _live(asked, drive or eye, out) if live else _classify_all(asked, eye, out)
    except OSError as error:  # of what we write to: all else is told as an error of ours
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if not isinstance(error, BrokenPipeError):  # that one has seen enough
            _say(f"error: the decisions cannot be written ({error.strerror})")
        return 1
    except KeyboardInterrupt:
        _say("Stopped.")
    # A machine at work hears it whole.
    _say(eye.model.card.caution if live else reminder(eye.model.card))
    return 1 if out.bad else 0


def _check(asked: argparse.Namespace, eye: Eye) -> int:
    """Say whether this board is fit; return 0 if it is, 3 if not, 1 for a bad photo."""
    try:
        found = check_board(eye, asked.photos[1] if len(asked.photos) > 1 else None, asked.seconds)
    except WeedsetError as error:
        _complain(error)
        return error.exit_code
    if asked.json:
        sys.stdout.write(_dumped(check_record(found)) + "\n")
    else:
        sys.stdout.writelines(f"{line}\n" for line in fitness_lines(found))
    return 0 if found.fit else CheckNotPassedError.exit_code


class _Out:
    """Where decisions go: standard output, and the log if there is one."""

    def __init__(self, asked: argparse.Namespace, card: ModelCard) -> None:
        self.bad = 0
        self._card = card
        self._json = asked.json
        self._log = RollingLog(asked.log, int(asked.log_mb * 1e6)) if asked.log else None
        self._fault: str | None = None

    def photo(self, photo: ClassifiedPhoto, **more: object) -> None:
        if self._json:
            head = {**photo_record(photo, self._card), **more}
            self._lines([_dumped(head), *map(_dumped, cell_records(photo, self._card))])
        else:
            self._lines(list(_plain_lines(photo, self._card)))

    def followed(self, step: Followed, **more: object) -> None:
        """Tell of a frame of a drive: of plants, not of cells, so that nobody acts on both."""
        if self._json:
            head = {**photo_record(step.looked.photo, self._card), **more}
            self._lines([_dumped(head), *map(_dumped, drive_records(step))])
        else:
            self._lines(list(drive_lines(step)))

    def failure(self, error: WeedsetError) -> None:
        """Tell people, and programs: there is no decision on this one."""
        self.bad += 1
        _complain(error)
        if self._json:
            name = Path(error.where).name
            record: dict[str, object] = {"record": "bad", "photo": name, "reason": error.what}
            self._lines([_dumped(record)])

    def _lines(self, lines: list[str]) -> None:
        if self._log is not None:  # before anyone can act on it
            self._log.write(lines)
            if self._log.fault and self._log.fault != self._fault:
                _say(f"error: {self._log.fault}; deciding goes on without the log")
            self._fault = self._log.fault
        sys.stdout.writelines(f"{line}\n" for line in lines)
        sys.stdout.flush()


def _classify_all(asked: argparse.Namespace, eye: Eye, out: _Out) -> None:
    """Classify photo by photo; a bad one is told of and the next one taken."""
    for found in _each_photo(asked.photos):
        try:
            if isinstance(found, WeedsetError):
                raise found
            photo = eye.photo(found)
            if asked.overlay:
                _say(f"drew {write_overlay(found, photo, eye.model.card, asked.overlay)}")
        except WeedsetError as error:
            out.failure(error)
        else:
            out.photo(photo)


def _live(asked: argparse.Namespace, eye: Eye | Drive, out: _Out) -> None:
    """Decide on frames as they come, always on the newest, until the stream ends, if it does."""
    for shot in _watched(asked.photos[0]) if asked.watch else _streamed(asked.frames):
        try:
            if isinstance(shot, WeedsetError):
                raise shot
            until_s = round(shot.taken_s + asked.stale_after / 1000, 3)
            if isinstance(eye, Drive):
                out.followed(follow(eye, shot), good_until_boottime_s=until_s)
            else:
                photo = eye.frame(shot.data, shot.name, shot.taken_s)
                out.photo(photo, good_until_boottime_s=until_s)
        except WeedsetError as error:
            out.failure(error)


def _streamed(kind: str) -> Iterator[Shot | WeedsetError]:
    incoming = Incoming(sys.stdin.fileno())
    split = {"headed": headed, "lengths": length_prefixed, "jpegs": concatenated_jpegs}[kind]
    newest = Newest(split(incoming.read, lambda: incoming.empty_s))
    yield from newest
    if newest.dropped:
        _say(f"{newest.dropped} frames came while another was decided on, and were dropped.")


def _watched(folder: Path) -> Iterator[Shot | WeedsetError]:
    watched = WatchedFolder(folder)
    _say(f"Watching {folder}; what lies there now is too old to act on. Ctrl+C stops.")
    while True:
        if (path := watched.newest()) is None:
            sleep(_LOOK_EVERY_S)
            continue
        try:
            yield read_shot(path)
        except WeedsetError as error:
            yield error


def _dumped(record: dict[str, object]) -> str:
    return json.dumps(record, allow_nan=False)  # ASCII: a file name need not be UTF-8


def _gate(asked: argparse.Namespace) -> Gate | None:
    return None if asked.least_green is None else Gate(asked.least_green, asked.audit_every)


def _guards(asked: argparse.Namespace) -> Guards:
    return replace(Guards(), keep_out_mm=asked.keep_out, stale_after_ms=asked.stale_after)


def _each_photo(paths: list[Path]) -> Iterator[Path | WeedsetError]:
    """Yield the photos among files and folders, and what is wrong with the others."""
    for path in paths:
        try:
            yield from find_photos([path])
        except WeedsetError as error:
            yield error


def _plain_lines(photo: ClassifiedPhoto, card: ModelCard) -> Iterator[str]:
    """Yield a summary, then each cell that is more than left alone."""
    yield photo_line(photo)
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


def _say(text: str) -> None:
    sys.stderr.write(f"{in_lines(text)}\n")


def _complain(error: WeedsetError) -> None:
    _say(f"error: {error}")
    if error.fix:
        _say(f"  do: {error.fix}")


if __name__ == "__main__":
    sys.exit(main())
