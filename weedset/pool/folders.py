"""An edition as folders of pictures, one for each species: for trainers that want one answer.

Such a folder says one thing of a picture, an edition says several and leaves others open. So
only the tiles go in of which one thing is said, all else stays out, and a table says why.
"""

from __future__ import annotations

import json
import shutil
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from weedset.digests import bytes_digest, whole_file, whole_folder, write_whole
from weedset.errors import PoolError
from weedset.pool.datacard import CARD
from weedset.pool.frozen import Frozen, open_edition
from weedset.pool.layout import written_in_vain
from weedset.records import Verdict

#: The folder of ground without plants.
BARE = "bare"

TABLE = "tiles.jsonl"
EDITION_CARD = "EDITION.md"


@dataclass(frozen=True, slots=True)
class Exported:
    """How many pictures lie in the folder of each class, and how many stayed out and why."""

    classes: Mapping[str, int]
    left_out: Mapping[str, int]


def export_folders(edition: Path, to: Path, several: bool = False) -> Exported:
    """Write the pictures of an edition to `to`/SPLIT/CLASS/KEY.jpg, and a table beside them.

    Each split has the folder of each class, empty or not, so that the classes have the same
    numbers everywhere. With `several` what shows several plants goes into a folder named
    after them all, such as CHEAL+DAUCS; else it stays out.

    It comes about aside and takes its name once it is whole. Raises PoolError where it is no
    edition or not as it was frozen, where other things lie at `to`, or it cannot be written.
    """
    frozen = open_edition(edition)
    try:
        with whole_folder(to) as aside:
            return _write(frozen, aside, several)
    except FileExistsError as exc:
        fix = "name a new folder"
        raise PoolError("holds other things already", where=str(to), fix=fix) from exc
    except OSError as exc:
        raise written_in_vain(to, exc) from exc


def class_of(row: Mapping[str, Any], several: bool) -> tuple[str, str]:
    """Return the class of a tile and "", or "" and why it has none."""
    if row["verdict"] == Verdict.BARE:
        return BARE, ""
    if row["verdict"] == Verdict.CANNOT_TELL:
        return "", "cannot tell"
    if row["unknown_plant"]:
        return "", "an unknown plant"
    if row["doubtful"]:
        return "", "a plant that may be there"
    if len(row["present"]) > 1 and not several:
        return "", "several plants"
    return "+".join(sorted(row["present"])), ""


def _write(frozen: Frozen, root: Path, several: bool) -> Exported:
    left_out: Counter[str] = Counter()
    classes: Counter[str] = Counter()
    splits = set()
    with whole_file(root / TABLE) as table:
        for row in frozen.rows():
            name, why = class_of(row, several)
            file = f"{row['split']}/{name}/{row['key']}.jpg" if name else ""
            line = json.dumps({"file": file, "left_out": why, **row}, ensure_ascii=False)
            table.write(f"{line}\n".encode())
            splits.add(row["split"])
            if not name:
                left_out[why] += 1
                continue
            classes[name] += 1
            path = root / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(_picture(frozen.folder, row))
    for split in splits:
        for name in classes:
            (root / split / name).mkdir(parents=True, exist_ok=True)
    shutil.copyfile(frozen.folder / CARD, root / EDITION_CARD)
    done = Exported(dict(sorted(classes.items())), dict(sorted(left_out.items())))
    write_whole(root / CARD, _card(frozen, done))
    return done


def _picture(folder: Path, row: Mapping[str, Any]) -> bytes:
    with (folder / row["shard"]).open("rb") as file:
        file.seek(row["offset"])
        data: bytes = file.read(row["length"])
    if bytes_digest(data) != row["sha256"]:
        raise PoolError(f"does not hold {row['key']} where its index says", where=row["shard"])
    return data


def _card(frozen: Frozen, done: Exported) -> str:
    counts = "".join(f"| {name} | {count} |\n" for name, count in done.classes.items())
    out = "".join(f"- {why}: {count}\n" for why, count in done.left_out.items()) or "- none\n"
    return f"""# Ground cells in folders, from {frozen.name}

Digest of the edition (SHA-256 of its manifest): {frozen.digest}. Givers and licence are in
{EDITION_CARD}, and for each picture in {TABLE}: name them when you pass this on.

Folders are SPLIT/CLASS; a class is the EPPO code of a species, or {BARE} for ground without
plants. Each split has all folders, so that classes have the same numbers in all of them. No
site is in two splits.

| class | pictures |
|--|--|
{counts}
Left out, since no single class is right (they are in {TABLE} nevertheless):

{out}
A class says that the species is there. That others are absent is known only of those in the
column looked_for; an edition itself keeps this apart, these folders cannot.
"""
