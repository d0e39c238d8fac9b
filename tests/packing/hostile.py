"""A corpus of hostile archives: each is made from a good one by one lie or trick."""

from __future__ import annotations

import io
import json
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from tests.packing.forge import BAG, FUTURE, Forgery, forge, read_bag, relist, write_zip

Maker = Callable[[Path, Path], Path]

TILE = "data/tiles/p00001/r00000c00000.jpg"
LABELS, PHOTOS, BATCH = "data/labels.jsonl", "data/photos.jsonl", "data/batch.json"


def changed(change: Callable[[Forgery], object], *, honest: bool = True) -> Maker:
    return lambda good, out: forge(good, out, change, honest=honest)


def batch(change: Callable[[dict[str, Any]], object]) -> Maker:
    return changed(lambda bag: bag.change_batch(change))


def giving(**fields: object) -> Maker:
    return batch(lambda table: table["giving"].update(fields))


def label(row: int = 0, **fields: object) -> Maker:
    return changed(lambda bag: bag.change_row(LABELS, row, **fields))


def photo(**fields: object) -> Maker:
    return changed(lambda bag: bag.change_row(PHOTOS, 0, **fields))


def inside_photo(table: str, **fields: object) -> Maker:
    """Change what a photo's row says of its profile or its view."""

    def change(bag: Forgery) -> None:
        bag.change_row(PHOTOS, 0, **{table: {**bag.rows(PHOTOS)[0][table], **fields}})

    return changed(change)


def tile(data: bytes) -> Maker:
    return changed(lambda bag: bag.files.update({TILE: data}))


def extra(name: str, data: bytes = b"x") -> Maker:
    """Add a file under a name as it is, first in the archive."""

    def make(good: Path, out: Path) -> Path:
        files = {f"{BAG}/{inside}": data for inside, data in read_bag(good).files.items()}
        return write_zip(out, {**files, name: data}, bag="")

    return make


def edited(edit: Callable[[bytes], bytes]) -> Maker:
    """Change the bytes of the archive itself."""

    def make(good: Path, out: Path) -> Path:
        out.write_bytes(edit(good.read_bytes()))
        return out

    return make


def picture(mode: str = "RGB", kind: str = "JPEG", size: int = 32, **options: Any) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(np.full((size, size, 3), 90, np.uint8)).convert(mode).save(
        buffer, kind, **options
    )
    return buffer.getvalue()


def exif() -> Image.Exif:
    tags = Image.Exif()
    tags[0x0110] = "Model"
    return tags


def huge_jpeg() -> bytes:
    """A JPEG whose header claims 65000 x 65000 px."""
    data = bytearray(picture(subsampling=0))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">2H", 65000, 65000)
    return bytes(data)


def thumbnail() -> bytes:
    """A JPEG with a thumbnail in its JFIF header (JFIF 1.02)."""
    data = picture()
    jfif = b"JFIF\0\x01\x02\0\0\x01\0\x01\x01\x01" + b"\1\2\3"
    return b"\xff\xd8\xff\xe0" + struct.pack(">H", len(jfif) + 2) + jfif + data[20:]


def symlink(good: Path, out: Path) -> Path:
    def attributes(data: bytes) -> bytes:
        at = data.index(b"PK\x01\x02")
        mode = (stat.S_IFLNK | 0o777) << 16
        return data[: at + 38] + struct.pack("<I", mode) + data[at + 42 :]

    return edited(attributes)(good, out)


def bomb(good: Path, out: Path) -> Path:
    """A quarter of a gigabyte of nothing in a quarter of a megabyte."""
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, data in read_bag(good).files.items():
            if name == TILE:
                with archive.open(f"{BAG}/{name}", "w") as member:
                    for _ in range(256):
                        member.write(bytes(1 << 20))
            else:
                archive.writestr(f"{BAG}/{name}", data)
    return out


def overlapping(data: bytes) -> bytes:
    """Let the second entry of the directory point at the first member."""
    first = data.index(b"PK\x01\x02")
    second = data.index(b"PK\x01\x02", first + 4)
    return data[: second + 42] + data[first + 42 : first + 46] + data[second + 46 :]


def claimed(size: int) -> Callable[[bytes], bytes]:
    def edit(data: bytes) -> bytes:
        at = data.index(b"PK\x01\x02")
        return data[: at + 20] + struct.pack("<2I", size, size) + data[at + 28 :]

    return edit


def claimed_10_gb(data: bytes) -> bytes:
    """A zip64 field that claims ten gigabytes (APPNOTE 4.5.3)."""
    at = data.index(b"PK\x01\x02")
    name = struct.unpack_from("<H", data, at + 28)[0]
    field = struct.pack("<2H2Q", 1, 16, 10**10, 10**10)
    head = bytearray(data[at : at + 46])
    struct.pack_into("<2I", head, 20, 0xFFFFFFFF, 0xFFFFFFFF)
    struct.pack_into("<H", head, 30, len(field))
    body = data[:at] + head + data[at + 46 : at + 46 + name] + field + data[at + 46 + name :]
    end = body.rindex(b"PK\x05\x06")
    size = struct.unpack_from("<I", body, end + 12)[0] + len(field)
    return body[: end + 12] + struct.pack("<I", size) + body[end + 16 :]


def million_claimed(data: bytes) -> bytes:
    """An end record that says there are a million members, by way of zip64."""
    end = data.rindex(b"PK\x05\x06")
    size, start = struct.unpack_from("<2I", data, end + 12)
    record = struct.pack("<4sQ2H2I4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, 10**6, 10**6, size, start)
    locator = struct.pack("<4sIQI", b"PK\x06\x07", 0, end, 1)
    tail = struct.pack("<4s4H2IH", b"PK\x05\x06", 0, 0, 0xFFFF, 0xFFFF, size, start, 0)
    return data[:end] + record + locator + tail


def many_files(good: Path, out: Path) -> Path:
    """Thirty thousand tiny files that no manifest lists."""

    def change(bag: Forgery) -> None:
        tiles = {name: data for name, data in bag.files.items() if name.startswith("data/tiles")}
        rest = {name: data for name, data in bag.files.items() if name not in tiles}
        more = {f"data/tiles/p09999/r00000c{i:05d}.jpg": b"" for i in range(30_000)}
        bag.files = {**tiles, **more, **rest}

    return forge(good, out, change, honest=False)


def two_names(data: bytes) -> bytes:
    """Another name beside the member than in the directory."""
    at = data.index(b"r00000c00000")
    return data[:at] + b"r00000c00009" + data[at + 12 :]


def listed_twice(bag: Forgery) -> None:
    line = bag.files["manifest-sha256.txt"].splitlines(keepends=True)[0]
    bag.files["manifest-sha256.txt"] = line + bag.files["manifest-sha256.txt"]


def wrong_digest(bag: Forgery) -> None:
    text = bag.files["manifest-sha256.txt"]
    bag.files["manifest-sha256.txt"] = (b"0" if text[:1] != b"0" else b"1") + text[1:]


def repeated(name: str) -> Maker:
    def change(bag: Forgery) -> None:
        rows = bag.rows(name)
        bag.set_rows(name, [rows[0], *rows])

    return changed(change)


def reordered(bag: Forgery) -> None:
    rows = bag.rows(LABELS)
    bag.set_rows(LABELS, rows[::-1])


def swapped_members(bag: Forgery) -> None:
    names = list(bag.files)
    names[0], names[1] = names[1], names[0]
    bag.files = {name: bag.files[name] for name in names}


def two_pictures(key: bytes) -> Maker:
    """Rows that begin with one picture and end with another: parsers keep the last."""

    def change(bag: Forgery) -> None:
        end = b',"' + key + b'":"p00001/r00000c00000"}'
        lines = [line[:-1] + end for line in bag.files[LABELS].splitlines()]
        bag.files[LABELS] = b"".join(line + b"\n" for line in lines)

    return changed(change)


def text(name: str, data: bytes) -> Maker:
    return changed(lambda bag: bag.files.update({name: data}))


def dropped(name: str, *, honest: bool = True) -> Maker:
    return changed(lambda bag: bag.files.pop(name), honest=honest)


def doubled_member(good: Path, out: Path) -> Path:
    forgery = read_bag(good)
    relist(forgery)
    items = list(forgery.files.items())
    entries = [items[0], *items]
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in entries:
            info = zipfile.ZipInfo(f"{BAG}/{name}")
            archive.NameToInfo.pop(info.filename, None)  # the library would warn
            archive.writestr(info, data)
    return out


def loose_end(good: Path, out: Path) -> Path:
    return text(LABELS, read_bag(good).files[LABELS][:-1])(good, out)


def species(**fields: object) -> Maker:
    return batch(lambda table: table["species"][0].update(fields))


#: name of the trick: (how it is made, what the check says of it)
CORPUS: dict[str, tuple[Maker, str]] = {
    # names
    "climbs out": (extra("../evil.txt"), "climbs out"),
    "climbs out below": (extra(f"{BAG}/data/../../evil.txt"), "climbs out"),
    "absolute": (extra("/etc/passwd"), "absolute"),
    "drive": (extra("C:/evil.txt"), "absolute"),
    "backslash": (extra(f"{BAG}\\..\\evil.txt"), "absolute"),
    "home": (extra("~/evil.txt"), "absolute"),
    "symbolic link": (symlink, "symbolic link"),
    "folder entry": (extra(f"{BAG}/data/folder/", b""), "not a plain file"),
    "case twin": (extra(f"{BAG}/data/tiles/p00001/R00000C00000.JPG"), "capitals alone"),
    "card twin": (extra(f"{BAG}/data/Labels.jsonl"), "capitals alone"),
    "unicode twin": (extra(f"{BAG}/data/tiles/р00001/r00000c00000.jpg"), "beyond ASCII"),
    "wide twin": (extra(f"{BAG}/data/tiles/p００００１/r00000c00000.jpg"), "beyond ASCII"),
    "terminal escape in a name": (extra(f"{BAG}/data/\x1b[2J\x1b]0;owned\x07"), "control char"),
    "turned writing in a name": (extra(f"{BAG}/data/gpj.\u202etile"), "control char"),
    "HTML in a name": (extra(f"{BAG}/data/<script>alert(1)</script>"), "does not belong"),
    "formula in a name": (extra(f"{BAG}/data/=cmd|' !A1"), "does not belong"),
    "second bag": (extra("other/bagit.txt"), "one folder"),
    "device name": (extra(f"{BAG}/data/NUL"), "does not belong"),
    "fetch": (extra(f"{BAG}/fetch.txt", b"http://x/ 1 data/x\n"), "fetch files"),
    "program": (extra(f"{BAG}/data/setup.py"), "does not belong"),
    # the archive
    "nothing": (edited(lambda data: b""), "no zip"),
    "no zip": (edited(lambda data: b"GIF89a" + data), "no zip"),
    "empty zip": (edited(lambda data: struct.pack("<4s4H2IH", b"PK\5\6", *[0] * 7)), "missing"),
    "cut short": (edited(lambda data: data[:-30]), "cut short"),
    "cut in half": (edited(lambda data: data[: len(data) // 2]), "cut short"),
    "something appended": (edited(lambda data: data + b"#!/bin/sh"), "appended"),
    "something before": (edited(lambda data: b"PK\x03\x04" + data), "does not lie where"),
    "zip bomb": (bomb, "compressed"),
    "overlapping members": (edited(overlapping), "overlaps"),
    "claims 4 GB": (edited(claimed(0xFFFFFFFE)), "more than"),
    "claims 10 GB": (edited(claimed_10_gb), "not used here"),
    "claims a million members": (edited(million_claimed), "claims 1000000 members"),
    "many tiny files": (many_files, "not listed"),
    "two names for one": (edited(two_names), "says one thing"),
    "encrypted": (
        edited(
            lambda data: (
                data[: data.index(b"PK\x01\x02") + 8]
                + b"\1"
                + data[data.index(b"PK\x01\x02") + 9 :]
            )
        ),
        "says one thing",
    ),
    "members out of order": (changed(swapped_members), "out of order"),
    "member twice": (doubled_member, "twice"),
    # digests
    "changed tile": (
        changed(lambda bag: bag.files.update({TILE: picture(quality=50)}), honest=False),
        "in the manifest",
    ),
    "changed labels": (
        changed(lambda bag: bag.change_row(LABELS, 0, identifiedBy="ben"), honest=False),
        "manifest lists",
    ),
    "wrong digest": (changed(wrong_digest, honest=False), "SHA-256"),
    "wrong check sum": (
        edited(lambda data: data.replace(b"\xff\xda", b"\xff\xdb", 1)),
        "check sum",
    ),
    "missing tile": (dropped(TILE, honest=False), "missing"),
    "missing labels": (dropped(LABELS), "missing"),
    "missing batch": (dropped(BATCH), "missing"),
    "missing manifest": (
        changed(lambda bag: bag.files.pop("manifest-sha256.txt"), honest=False),
        "missing",
    ),
    "listed twice": (changed(listed_twice, honest=False), "twice"),
    "manifest climbs out": (
        changed(
            lambda bag: bag.files.update(
                {
                    "manifest-sha256.txt": bag.files["manifest-sha256.txt"].replace(
                        b"data/tiles/p00001/r00000c00000.jpg", b"data/../../etc/passwd", 1
                    )
                }
            ),
            honest=False,
        ),
        "no digest and name",
    ),
    "old bag": (
        changed(
            lambda bag: bag.files.update(
                {"bagit.txt": b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n"}
            )
        ),
        "does not say what it should",
    ),
    "wrong oxum": (
        changed(
            lambda bag: bag.files.update({"bag-info.txt": b"Payload-Oxum: 1.1\n"}), honest=False
        ),
        "does not say what it should",
    ),
    # pictures
    "not a picture": (tile(b"hello"), "not a JPEG"),
    "page for a picture": (tile(b"<html><script>alert(1)</script></html>"), "not a JPEG"),
    "PNG for a JPEG": (tile(picture(kind="PNG")), "not a JPEG"),
    "GIF for a JPEG": (tile(picture(kind="GIF")), "not a JPEG"),
    "empty picture": (tile(b""), "not a JPEG"),
    "cut picture": (tile(picture()[:-40]), "cut short"),
    "cut header": (tile(picture()[:30]), "cut short"),
    "decompression bomb": (tile(huge_jpeg()), "65000 x 65000"),
    "EXIF left": (tile(picture(exif=exif())), "holds EXIF"),
    "XMP left": (tile(picture(xmp=b"<x:xmpmeta/>")), "holds XMP"),
    "comment left": (tile(picture(comment=b"my house")), "holds a comment"),
    "colour profile left": (tile(picture(icc_profile=b"x" * 200)), "application segment"),
    "segment in the scan": (
        tile(picture().replace(b"\xff\xd9", b"\xff\xe1\0\4hi\xff\xd9")),
        "holds a segment within",
    ),
    "code and name disagree": (species(scientificName="Stellaria media"), "not the plant of"),
    "card of another licence": (
        changed(
            lambda bag: bag.files.update(
                {"data/README.md": bag.files["data/README.md"].replace(b"CC-BY", b"CC-BY-NC")}
            )
        ),
        "does not say Licence: CC-BY-4.0",
    ),
    "thumbnail left": (tile(thumbnail()), "thumbnail"),
    "zip behind a picture": (tile(picture() + b"PK\x03\x04"), "after the end"),
    "progressive": (tile(picture(progressive=True)), "not baseline"),
    "grey": (tile(picture(mode="L")), "colour mode L"),
    "another size": (tile(picture(size=64)), "has 64 x 64 px"),
    # what is stated
    "newer version": (batch(lambda table: table.update(version=2)), "newer than this"),
    "other schema": (batch(lambda table: table.update(schema="x")), "not one of"),
    "unknown field": (batch(lambda table: table.update(surprise=1)), "not a known field"),
    "batch is no JSON": (text(BATCH, b"{"), "not valid JSON"),
    "batch is a list": (text(BATCH, b"[]"), "table of fields"),
    "deep nesting": (text(BATCH, b"[" * 100_000), "not valid JSON"),
    "long number": (text(BATCH, b'{"version":' + b"9" * 100_000 + b"}"), "not valid JSON"),
    "taken in the future": (batch(lambda table: table.update(eventDate=FUTURE)), "future"),
    "consent in the future": (giving(consentOn=FUTURE), "future"),
    "labelled in the future": (label(dateIdentified=FUTURE), "future"),
    "no date": (label(dateIdentified="yesterday"), "no date"),
    "no consent": (batch(lambda table: table["giving"].pop("consent")), "missing"),
    "no licence": (batch(lambda table: table["giving"].pop("licence")), "missing"),
    "no changes allowed": (giving(licence="CC-BY-ND-4.0"), "refused"),
    "unknown licence": (giving(licence="all rights reserved"), "no licence"),
    "licence says two things": (
        batch(lambda table: table.update(license="https://example.org/free")),
        "should be",
    ),
    "formula for a name": (giving(giver='=HYPERLINK("http://x")'), "begins with one of ="),
    "at for a name": (giving(giver="@SUM(A1)"), "begins with one of ="),
    "HTML for a name": (giving(credit="<img src=x onerror=alert(1)>"), "angle brackets"),
    "escapes for a name": (giving(giver="\x1b[31mred"), "control characters"),
    "long name": (giving(giver="a" * 10_000), "longer than"),
    "exact position": (giving(decimalLatitude=50.1234), "finer than"),
    "half a position": (batch(lambda table: table["giving"].pop("decimalLatitude")), "missing"),
    "position off the earth": (giving(decimalLatitude=95.05), "below 90"),
    "named site": (giving(site="long-acre"), "random id"),
    "empty checklist": (batch(lambda table: table.update(looked_for=[])), "empty"),
    "unlisted species looked for": (
        batch(lambda table: table["looked_for"].append("POAAN")),
        "not among the species",
    ),
    "unknown species": (species(code="ZZZZZ"), "not the code of a known plant"),
    "species of no form": (species(code="../../x"), "not the code of a known plant"),
    "species twice": (batch(lambda table: table["species"].append(table["species"][0])), "twice"),
    "wrong count": (batch(lambda table: table.update(tiles=99)), "says 99"),
    # rows
    "negative scale": (photo(gsd_mm_per_px=-0.5), "above 0"),
    "no scale": (photo(gsd_mm_per_px=None), "missing"),
    "endless scale": (photo(gsd_mm_per_px=float("inf")), "should be a number"),
    "scale is no number": (photo(gsd_mm_per_px=float("nan")), "should be a number"),
    "negative uncertainty": (photo(gsd_uncertainty_mm_per_px=-1), "at least 0"),
    "scale from nowhere": (photo(scale_source="guess"), "not one of"),
    "escapes for a camera": (inside_photo("profile", name="\x1b[2J"), "control characters"),
    "profile says too much": (inside_photo("profile", owner="Anna"), "not a known field"),
    "no profile": (photo(profile=None), "profile: is missing"),
    "view of another scale": (inside_photo("view", gsd_mm_per_px=0.1), "not that of the photo"),
    "view from far off": (inside_photo("view", centre_x_px=1e300), "at most"),
    "view upside down": (inside_photo("view", pitch_deg=500), "at most 90"),
    "view says too much": (inside_photo("view", gps=[50.1, 8.6]), "not a known field"),
    "too few rows": (photo(rows=1), "outside its photo"),
    "photo of no tile": (photo(photo="p00000"), "does not name"),
    "photo twice": (repeated(PHOTOS), "repeats photo"),
    "label twice": (repeated(LABELS), "twice"),
    "labels out of order": (changed(reordered), "out of order"),
    "two pictures in a row": (two_pictures(b"picture"), "says 'picture' twice"),
    "two pictures, one escaped": (two_pictures(b"\\u0070icture"), "says 'picture' twice"),
    "label of no tile": (label(picture="p00001/r00000c00009"), "not there"),
    "label climbs out": (label(picture="../../x"), "no name of a picture"),
    "label of unknown species": (label(1, present=["AVEFA"]), "not among the batch's"),
    "contradiction": (label(present=["CHEAL"]), "names a plant"),
    "both there and doubtful": (label(1, doubtful=["CHEAL"]), "says both"),
    "stage of nothing": (label(1, stages={"POAAN": 1}), "not there"),
    "stage too late": (label(1, stages={"CHEAL": 12}), "at most 9"),
    "annotator who is nobody": (batch(lambda table: table.update(annotators=["Me"])), "nobody"),
    "unknown annotator": (label(identifiedBy="mallory"), "not one of"),
    "unknown verdict": (label(verdict="maybe"), "not one of"),
    "plants are a text": (label(1, present="CHEAL"), "list of texts"),
    "label is no JSON": (text(LABELS, b"nonsense\n"), "not valid JSON"),
    "labels are not UTF-8": (text(LABELS, b"\xff\xfe\n"), "not UTF-8"),
    "endless line": (text(LABELS, b"x" * 5_000_000), "longer than"),
    "no labels": (text(LABELS, b""), "no row of labels"),
    "labels cut short": (loose_end, "does not end its line"),
    "escapes in the card": (text("data/README.md", b"\x1b[2J"), "control characters"),
    "HTML in the card": (text("data/README.md", b"<script>"), "HTML"),
}


def make_corpus(good: Path, folder: Path) -> dict[str, Path]:
    """Write the whole corpus, and return where each archive is."""
    paths = {name: folder / f"{i:03d}.zip" for i, name in enumerate(CORPUS)}
    for name, path in paths.items():
        CORPUS[name][0](good, path)
    (folder / "names.json").write_text(json.dumps({name: str(p) for name, p in paths.items()}))
    return paths
