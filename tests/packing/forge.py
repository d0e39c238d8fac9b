"""Making contributions, whole and forged, for the tests of packing and checking.

The forger knows the format by its standards (RFC 8493, JSON Lines, zip by the standard
library), not through the code under test, so that it can lie in one place at a time.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from weedset.contribution.giving import Giving, Place
from weedset.packing import pack_batch
from weedset.profile import read_camera_profile
from weedset.records import Batch, Origin, Statement, Verdict
from weedset.settings import Workspace, create_workspace
from weedset.store import open_store
from weedset.taxonomy import load_species
from weedset.tiling import cut_photos
from weedset.verification.check import Report, check_contribution

#: Labels are dated by the clock, so the check must go by it too.
TODAY = date.today()
FUTURE = (TODAY + timedelta(days=400)).isoformat()
SITE = "s-0123456789abcdef"
BAG = f"{SITE}-2024-05-04"
BATCH = Batch("long-acre 2024-05-04", "long-acre", "2024-05-04", "", "", ())
GIVING = Giving(
    site=SITE,
    giver="anna",
    credit="Anna of long acre",
    rights_holder="Anna B.",
    recorded_by="anna",
    licence="CC-BY-4.0",
    licence_note="",
    consent="I took these photos and give them under this licence.",
    consent_on="2024-06-01",
    place=Place("DE", "Hessen", 50.15, 8.65),
)

#: A photo's EXIF as a phone writes it, with all that must never leave: position, owner,
#: serial number, maker note, comment (EXIF 2.32, tags by number).
PRIVATE_MAIN = {0x010F: "Maker", 0x0110: "Model", 0x013B: "Owner", 0x8298: "Owner's rights"}
PRIVATE_EXIF = {
    0x9003: "2024:05:04 10:11:12",
    0x927C: b"maker note",
    0x9286: b"ASCII\0\0\0comment",
    0xA430: "Owner",
    0xA431: "SERIAL-1234",
    0xA420: "0123456789abcdef0123456789abcdef",
}
PRIVATE_GPS = {1: "N", 2: (50.0, 7.0, 30.0), 3: "E", 4: (8.0, 40.0, 15.0)}


def private_photo(path: Path, size: tuple[int, int] = (300, 200), seed: int = 0) -> Path:
    """Write a JPEG that carries what must never leave the machine."""
    rows, cols = size[1] // 10, size[0] // 10
    blocks = np.random.default_rng(seed).integers(0, 255, (rows, cols, 3), np.uint8)
    image = Image.fromarray(blocks).resize(size, Image.Resampling.NEAREST)
    exif = Image.Exif()
    exif.update(PRIVATE_MAIN)
    exif.get_ifd(0x8769).update(PRIVATE_EXIF)
    exif.get_ifd(0x8825).update(PRIVATE_GPS)
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path, exif=exif, quality=95, comment=b"my garden")
    return path


def statement(row: int, col: int) -> Statement:
    """Return a statement that differs from cell to cell."""
    if (row + col) % 3 == 0:
        return Statement("anna", Origin.PAGE, Verdict.BARE)
    if (row + col) % 3 == 1:
        return Statement(
            "anna",
            Origin.PAGE,
            Verdict.PLANTS,
            frozenset({"CHEAL"}),
            frozenset({"STEME"}),
            stages=(("CHEAL", 1),),
        )
    return Statement("ben", Origin.PAGE, Verdict.PLANTS, frozenset({"DAUCS", "CHEAL"}))


def make_workspace(
    root: Path, photos: int = 2, camera: Path | None = None, cell_mm: float = 50
) -> Workspace:
    """Make a workspace with labelled photos, of 2 x 3 cells each if not said otherwise."""
    workspace = create_workspace(root / "garden", cell_mm=cell_mm, tile_px=32, edge="drop")
    profile = camera or root / "cart.toml"
    if camera is None:
        scale = "gsd_mm_per_px = 0.5\nuncertainty_mm_per_px = 0.01"
        profile.write_text(f'name = "cart"\n[scale]\n{scale}\n')
    paths = [private_photo(root / f"my secret garden {i}.jpg", seed=i) for i in range(photos)]
    with open_store(workspace) as store:
        for result in cut_photos(paths, read_camera_profile(profile), workspace, workers=1):
            assert result.cut is not None, result.error
            store.add_photo(BATCH, result.cut.photo, result.cut.tiles)
            store.set_checklist(BATCH.id, ["CHEAL", "DAUCS", "STEME"])
            store.add_statements(
                ((tile.photo_digest, tile.row, tile.col), statement(tile.row, tile.col))
                for tile in result.cut.tiles
            )
    return workspace


def pack(workspace: Workspace, out: Path, giving: Giving = GIVING, **options: Any) -> Path:
    """Pack the batch of `make_workspace`."""
    with open_store(workspace) as store:
        (batch,) = store.batches()
        pack_batch(
            store,
            workspace,
            batch,
            giving,
            load_species(),
            out,
            **{"approve": lambda path: None, **options},
        )
    return out


def check(path: Path, **options: Any) -> Report:
    """Check an archive on the day of these tests."""
    return check_contribution(path, load_species(), TODAY, **{"workers": 1, **options})


Files = dict[str, bytes]


@dataclass
class Forgery:
    """The files of a bag, by name within it, to be changed and written again."""

    files: Files

    def rows(self, name: str) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.files[name].splitlines()]

    def set_rows(self, name: str, rows: Iterable[object]) -> None:
        self.files[name] = b"".join(json.dumps(row).encode() + b"\n" for row in rows)

    def change_row(self, name: str, row: int, **fields: object) -> None:
        rows = self.rows(name)
        rows[row].update(fields)
        self.set_rows(name, rows)

    def change_batch(self, change: Callable[[dict[str, Any]], object]) -> None:
        table = json.loads(self.files["data/batch.json"])
        change(table)
        self.files["data/batch.json"] = json.dumps(table).encode()


def read_bag(path: Path) -> Forgery:
    """Read all files of an archive with the standard library."""
    with zipfile.ZipFile(path) as archive:
        return Forgery({name.partition("/")[2]: archive.read(name) for name in archive.namelist()})


def relist(forgery: Forgery) -> None:
    """Make manifests, bag-info and tag manifests true again (RFC 8493, 2.1 to 2.2)."""
    payload = {name: data for name, data in forgery.files.items() if name.startswith("data/")}
    forgery.files["manifest-sha256.txt"] = _manifest(payload)
    octets = sum(map(len, payload.values()))
    forgery.files["bag-info.txt"] = (
        f"External-Identifier: {BAG}\nPayload-Oxum: {octets}.{len(payload)}\n".encode()
    )
    names = ("manifest-sha256.txt", "bagit.txt", "bag-info.txt")
    tags = {name: forgery.files[name] for name in names}
    forgery.files["tagmanifest-sha256.txt"] = _manifest(tags)


def _manifest(files: Files) -> bytes:
    return b"".join(
        f"{hashlib.sha256(data).hexdigest()}  {name}\n".encode() for name, data in files.items()
    )


def write_zip(path: Path, files: Files, bag: str = BAG, method: int = zipfile.ZIP_STORED) -> Path:
    """Write files into a zip with the standard library, under the folder of the bag."""
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, data in files.items():
            archive.writestr(f"{bag}/{name}" if bag else name, data)
    return path


def forge(
    source: Path, out: Path, change: Callable[[Forgery], object], honest: bool = True
) -> Path:
    """Change the files of an archive and write it again, with true manifests if `honest`."""
    forgery = read_bag(source)
    change(forgery)
    if honest:
        relist(forgery)
    return write_zip(out, forgery.files)
