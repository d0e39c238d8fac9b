"""What computer this is, as Linux tells it: nothing by which one could be told from its like."""

from __future__ import annotations

import math
import os
import platform
import re
import struct
from dataclasses import dataclass
from pathlib import Path

#: Cores designed by Arm (implementer 0x41): Linux, arch/arm64/include/asm/cputype.h.
_ARM_CORES = {
    "0xd03": "Cortex-A53",
    "0xd04": "Cortex-A35",
    "0xd05": "Cortex-A55",
    "0xd07": "Cortex-A57",
    "0xd08": "Cortex-A72",
    "0xd09": "Cortex-A73",
    "0xd0a": "Cortex-A75",
    "0xd0b": "Cortex-A76",
    "0xd0d": "Cortex-A77",
    "0xd41": "Cortex-A78",
}

_LONGEST_NAME = 80


@dataclass(frozen=True, slots=True)
class Machine:
    """A computer. `clock_mhz` is its highest; None where the system does not tell."""

    processor: str
    cores: int
    clock_mhz: float | None
    memory_mb: float | None
    bits: int


def read_machine(system: Path = Path("/")) -> Machine:
    """Read what computer this is; `system` is where its files lie."""
    cpuinfo = _text_in(system / "proc/cpuinfo")
    clocks = clocks_mhz(system)
    said_mhz = re.search(r"^cpu MHz\s*:\s*(\d+(?:\.\d+)?)", cpuinfo, re.MULTILINE)
    memory = re.search(r"^MemTotal:\s*(\d+) kB", _text_in(system / "proc/meminfo"), re.MULTILINE)
    return Machine(
        processor=_processor(cpuinfo),
        cores=len(re.findall(r"^processor\s*:", cpuinfo, re.MULTILINE)) or os.cpu_count() or 1,
        clock_mhz=clocks[1] if clocks else round(float(said_mhz[1])) if said_mhz else None,
        memory_mb=round(int(memory[1]) / 1000) if memory else None,
        bits=struct.calcsize("P") * 8,
    )


def _processor(cpuinfo: str) -> str:
    """Name the cores, each kind once."""
    parts = re.findall(r"^CPU part\s*:\s*(0x[0-9a-f]{1,4})\s*$", cpuinfo, re.MULTILINE)
    ours = set(re.findall(r"^CPU implementer\s*:\s*(\S+)", cpuinfo, re.MULTILINE)) == {"0x41"}
    names = [_ARM_CORES.get(part, part) if ours else part for part in dict.fromkeys(parts)]
    names += re.findall(r"^model name\s*:\s*(\S.*)$", cpuinfo, re.MULTILINE)[:1]
    name = "".join(letter for letter in " + ".join(names) if letter.isprintable())
    return name[:_LONGEST_NAME].strip() or platform.machine() or "unknown"


def hottest_c(system: Path) -> float | None:
    """Return the highest temperature that any sensor tells, if one does."""
    zones = system.glob("sys/class/thermal/thermal_zone*/temp")
    found = [value / 1000 for zone in zones if (value := _number_in(zone)) is not None]
    return max(found, default=None)


def clocks_mhz(system: Path) -> tuple[float, float] | None:
    """Return the present clock of the first core, and its most, if both are told."""
    folder = system / "sys/devices/system/cpu/cpu0/cpufreq"
    now, most = (_number_in(folder / name) for name in ("scaling_cur_freq", "cpuinfo_max_freq"))
    return None if now is None or not most else (now / 1000, most / 1000)


def _number_in(path: Path) -> float | None:
    """Read a number of a system file, which need not be there, nor readable."""
    try:
        value = float(_text_in(path))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _text_in(path: Path) -> str:
    try:
        return path.read_text("utf-8", "replace")
    except OSError:
        return ""
