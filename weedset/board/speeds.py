"""How long a photo should take on a board, from what is published about its processor.

A band, and a wide one: there are no published figures of this runtime on such boards. What was
measured on a board itself is worth more, see `weedset.board.measurement`.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import cache
from importlib import resources

from weedset.board.machine import Machine
from weedset.errors import SettingsError
from weedset.fields import Fields, read_toml

_Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Processor:
    """A processor with all its cores at work; see weedset/data/board-speeds.toml."""

    processor: str
    cores: int
    clock_mhz: float
    float_gmac_per_s: _Range
    int8_gain: _Range
    instructions_per_clock: _Range

    @property
    def words(self) -> str:
        """How many cores of which kind, at which clock."""
        return f"{self.cores}x {self.processor}, {self.clock_mhz / 1000:.1f} GHz"


@dataclass(frozen=True, slots=True)
class Speeds:
    """All that is known; `rest_per_megapixel` are million instructions of all but the model."""

    slower: float
    faster: float
    processors: tuple[Processor, ...]
    nets_mmac: tuple[tuple[str, float], ...]
    width_px: int
    height_px: int
    cells: int
    rest_per_megapixel: float


@dataclass(frozen=True, slots=True)
class Expected:
    """How long a photo should take: about so long, and hardly less or more."""

    least_ms: float
    about_ms: float
    most_ms: float


@dataclass(frozen=True, slots=True)
class Work:
    """What there is to do for one photo: tiles for a net of `mmac`, decoding and the rest."""

    tiles: int
    mmac: float
    megapixels: float


@cache
def speeds() -> Speeds:
    """Return what the package's data files say."""
    data = resources.files("weedset") / "data"
    with resources.as_file(data / "board-speeds.toml") as path:
        fields = read_toml(path, SettingsError)
    photo = fields.table("photo")
    width_px, height_px = (photo.whole(name, least=1, most=99_999) for name in _SIDES)
    counted = json.loads((data / "board-instructions.json").read_text("utf-8"))
    counts = counted["million_instructions_per_photo"]
    return Speeds(
        slower=fields.number("slower", least=1, most=100),
        faster=fields.number("faster", least=1, most=100),
        processors=tuple(map(_read_processor, fields.tables("processors"))),
        nets_mmac=tuple(
            (net.text("name"), net.number("mmac", above=0, most=1e6))
            for net in fields.tables("nets")
        ),
        width_px=width_px,
        height_px=height_px,
        cells=photo.whole("cells", least=1, most=99_999),
        rest_per_megapixel=(counts["whole"] - counts["bare model"]) / (width_px * height_px / 1e6),
    )


_SIDES = ("width_px", "height_px")


def _read_processor(fields: Fields) -> Processor:
    def band(name: str) -> _Range:
        low, high = fields.numbers(name, least=0, most=1e6)
        return low, high

    return Processor(
        processor=fields.text("processor"),
        cores=fields.whole("cores", least=1, most=1024),
        clock_mhz=fields.number("clock_mhz", above=0, most=100_000),
        float_gmac_per_s=band("float_gmac_per_s"),
        int8_gain=band("int8_gain"),
        instructions_per_clock=band("instructions_per_clock"),
    )


def expected_on(machine: Machine, threads: int, work: Work) -> Expected | None:
    """Return how long a photo should take on a computer; None where nothing is published.

    Speed is taken to go with the clock and, up to the number of cores, with `threads`.
    """
    for known in speeds().processors:
        if known.processor == machine.processor:
            return expected(
                known, work, machine.clock_mhz or known.clock_mhz, min(threads, machine.cores)
            )
    return None


def expected(known: Processor, work: Work, clock_mhz: float, cores: int) -> Expected:
    """Return how long a photo should take at a clock, with so many cores at work.

    Multiply-adds over the published speed, times what int8 gains; and instructions over those
    per second of one core. In the middle stands the geometric mean.
    """
    share = clock_mhz / known.clock_mhz * cores / known.cores
    gmac = work.tiles * work.mmac / 1000
    rest = work.megapixels * speeds().rest_per_megapixel
    slow, quick = (
        flat * gain for flat, gain in zip(known.float_gmac_per_s, known.int8_gain, strict=True)
    )
    few, many = known.instructions_per_clock

    def ms(gmac_per_s: float, per_clock: float) -> float:
        return 1000 * (gmac / (gmac_per_s * share) + rest / (per_clock * clock_mhz))

    return Expected(
        least_ms=ms(quick * speeds().faster, many),
        about_ms=ms(math.sqrt(slow * quick), math.sqrt(few * many)),
        most_ms=ms(slow / speeds().slower, few),
    )
