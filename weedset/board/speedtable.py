"""`python -m weedset.board.speedtable MEASUREMENT...`: the table of speeds in docs/board.md."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from weedset.board.fitness import Fitness
from weedset.board.measurement import read_measurement
from weedset.board.speeds import Expected, Processor, Work, expected, speeds
from weedset.errors import MeasurementError, WeedsetError
from weedset.fields import read_text

#: Clocks and work that differ by less are the same board and the same net.
_ALIKE = 0.1


def speed_table(measured: Sequence[Fitness]) -> str:
    """Return the tables as Markdown: what is to be expected, and what people measured."""
    return "\n".join([*_expected_lines(measured), *_measured_lines(measured)]) + "\n"


def _expected_lines(measured: Sequence[Fitness]) -> Iterator[str]:
    known = speeds()
    yield "| board | net | about, ms | from - to, ms | measured, ms |"
    yield "|--|--|--|--|--|"
    for board in known.processors:
        for name, mmac in known.nets_mmac:
            work = Work(known.cells, mmac, known.width_px * known.height_px / 1e6)
            found = expected(board, work, board.clock_mhz, board.cores)
            times = [
                f"{one.photo_ms:.0f}" for one in measured if _same(one, board, mmac, known.cells)
            ]
            yield (
                f"| {board.words} | {name}, {mmac:g} MMAC "
                f"| {_two_digits(found.about_ms)} | {_band(found)} "
                f"| {', '.join(times) or 'nobody yet'} |"
            )


def _measured_lines(measured: Sequence[Fitness]) -> Iterator[str]:
    if not measured:
        return
    yield ""
    yield (
        "| measured on | at work | memory | MMAC a tile | photo | cells | ms a photo | MB "
        "| expected, ms | onnxruntime |"
    )
    yield "|--|--|--|--|--|--|--|--|--|--|"
    for one in sorted(measured, key=lambda one: (one.machine.processor, one.photo_ms)):
        board, band = one.machine, one.expected
        clock = "" if board.clock_mhz is None else f", {board.clock_mhz / 1000:.1f} GHz"
        memory = "?" if board.memory_mb is None else f"{board.memory_mb:.0f} MB"
        mmac = "?" if one.model_mmac is None else f"{one.model_mmac:g}"
        yield (
            f"| {board.cores}x {_plain(board.processor)}{clock}, {board.bits} bits "
            f"| {one.threads} | {memory} | {mmac} | {one.width_px} x {one.height_px} px "
            f"| {one.cells} | {one.photo_ms:.0f} | {one.peak_mb:.0f} "
            f"| {'-' if band is None else _band(band)} "
            f"| {_plain(one.versions.get('onnxruntime', '?'))} |"
        )


def _same(one: Fitness, board: Processor, mmac: float, cells: int) -> bool:
    """Say whether someone measured this very row, all cores at work."""
    machine = one.machine
    return (
        machine.processor == board.processor
        and one.threads == machine.cores == board.cores
        and _alike(machine.clock_mhz, board.clock_mhz)
        and _alike(one.model_mmac, mmac)
        and _alike(one.width_px * one.height_px, speeds().width_px * speeds().height_px)
        and _alike(one.cells, cells)
    )


def _alike(one: float | None, other: float) -> bool:
    return one is not None and abs(one / other - 1) < _ALIKE


def _band(found: Expected) -> str:
    return f"{_two_digits(found.least_ms)} - {_two_digits(found.most_ms)}"


def _two_digits(ms: float) -> str:
    return f"{float(f'{ms:.2g}'):.0f}"


def _plain(text: str) -> str:
    """Return a stranger's text so that it stays one cell of a table."""
    return "".join(letter for letter in text if letter.isalnum() or letter in " .+-()@,_")


def main(paths: Sequence[str]) -> int:
    """Print the tables; return 1 where a measurement cannot be used."""
    measured = []
    for path in paths:
        try:
            measured.append(read_measurement(read_text(Path(path), MeasurementError), path))
        except WeedsetError as error:
            sys.stderr.write(f"error: {error}\n" + (f"  do: {error.fix}\n" if error.fix else ""))
            return error.exit_code
    sys.stdout.write(speed_table(measured))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
