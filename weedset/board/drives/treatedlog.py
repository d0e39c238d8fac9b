"""What was treated along a drive, on the disk before the tool moves, so that no restart forgets.

JSON Lines, only ever appended to: the drive's name, then one line per plant, each synced before
it counts. A last line that a power cut left half written is none: the tool had not moved yet.
"""

from __future__ import annotations

import json
import math
import os
from contextlib import suppress
from pathlib import Path

from weedset.board.drives.drivemap import DriveMap, Passed, Plant, State
from weedset.board.steps import Drift, Pose
from weedset.errors import DriveError
from weedset.fields import Fields, parse_json, require_file

_FIRST = {"record": "drive", "version": 1}

#: A file of strangers must not fill the memory.
_MOST_BYTES = 64_000_000
_FAR_MM = 1e9

#: Why nothing is offered after a restart.
RESTARTED = (
    "nobody knows where the machine stands since the restart: say where, or begin a new drive"
)


def read_treated(path: Path) -> DriveMap:
    """Return the map to go on with: an empty one without a file, else adrift.

    Raises DriveError, naming file and line, also where nothing could be added to it.
    """
    lines = _lines(path)
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        fix = "name a file on a disk that can be written"
        raise DriveError("cannot be written", where=str(path), fix=fix)
    if not lines:
        return DriveMap()
    first = parse_json(lines[0], f"{path}: line 1", DriveError)
    if first.raw("record") != "drive" or first.raw("version") != 1:
        fix = "name another file, or none that is there yet"
        raise DriveError("is no list of treated plants of this version", where=str(path), fix=fix)
    plants: dict[int, Plant] = {}
    pose, passed = Pose(), []
    for number, line in enumerate(lines[1:], 2):
        plant, pose = _read(parse_json(line, f"{path}: line {number}", DriveError))
        plants[plant.id] = plant
        passed.append(Passed(pose.x_mm, pose.y_mm))
    next_id = max(plants, default=0) + 1
    return DriveMap(
        pose=pose,
        plants=tuple(plants.values()),
        passed=tuple(passed),
        next_id=next_id,
        adrift=RESTARTED,
    )


def write_treated(path: Path, plant: Plant, off_mm: float, now: DriveMap) -> None:
    """Append a plant that is about to be treated; it is on the disk once this returns.

    Raises DriveError where that cannot be done: then it must not be treated.
    """
    record = {
        "record": "treated",
        "id": plant.id,
        "x_mm": round(plant.x_mm, 1),
        "y_mm": round(plant.y_mm, 1),
        "off_mm": round(off_mm, 1),
        "radius_mm": round(plant.radius_mm, 1),
        "machine_x_mm": round(now.pose.x_mm, 1),
        "machine_y_mm": round(now.pose.y_mm, 1),
        "machine_heading_deg": round(math.degrees(now.pose.heading_rad), 3),
    }
    try:
        _append(path, json.dumps(record, allow_nan=False))
    except OSError as exc:
        fix = "free space on the disk; until then nothing is treated"
        raise DriveError(f"cannot be written ({exc.strerror})", where=str(path), fix=fix) from exc


def _append(path: Path, line: str) -> None:
    new = not path.exists() or not path.stat().st_size
    with path.open("ab+", buffering=0) as file:
        size = file.seek(0, os.SEEK_END)
        if size:
            file.seek(-1, os.SEEK_END)
            if file.read(1) != b"\n":  # half a line, of a power cut
                size = _whole(path)
                file.truncate(size)
        text = f"{line}\n" if size else f"{json.dumps(_FIRST)}\n{line}\n"
        data = text.encode()
        try:
            if file.write(data) != len(data):
                raise OSError(28, "no space left on the disk")
            os.fsync(file.fileno())
        except OSError:
            with suppress(OSError):
                file.truncate(size)
            raise
    if new:
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _whole(path: Path) -> int:
    """Return how many bytes of a file are whole lines."""
    return path.read_bytes().rfind(b"\n") + 1


def _lines(path: Path) -> list[str]:
    try:
        require_file(path)
        if path.stat().st_size > _MOST_BYTES:
            raise DriveError("is too large to be a list of treated plants", where=str(path))
        data = path.read_bytes()
    except FileNotFoundError:
        if not path.parent.is_dir():
            raise DriveError("there is no such folder", where=str(path.parent)) from None
        return []
    except OSError as exc:
        raise DriveError(f"cannot be read ({exc.strerror})", where=str(path)) from exc
    try:
        return data[: data.rfind(b"\n") + 1].decode().splitlines()
    except UnicodeDecodeError as exc:
        raise DriveError("is not UTF-8 text", where=str(path)) from exc


def _read(fields: Fields) -> tuple[Plant, Pose]:
    fields.choice("record", ["treated"])
    far = {"least": -_FAR_MM, "most": _FAR_MM}
    plant = Plant(
        id=fields.whole("id", least=1, most=10**9),
        x_mm=fields.number("x_mm", **far),
        y_mm=fields.number("y_mm", **far),
        random_mm2=fields.number("off_mm", least=0, most=_FAR_MM) ** 2,
        bias_mm=0.0,
        radius_mm=fields.number("radius_mm", least=0, most=_FAR_MM),
        placed=Drift(),
        seen_s=-math.inf,
        state=State.TREATED,
        reason="treated before the restart",
    )
    pose = Pose(
        fields.number("machine_x_mm", **far),
        fields.number("machine_y_mm", **far),
        math.radians(fields.number("machine_heading_deg", least=-1e6, most=1e6)),
    )
    fields.done()
    return plant, pose
