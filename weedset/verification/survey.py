"""What lies in an archive: names, order, sizes, and the tag files that follow from them."""

from __future__ import annotations

from dataclasses import dataclass, field

from weedset.contribution.layout import (
    BAG_INFO,
    BAGIT,
    BAGIT_TEXT,
    CARD,
    LABELS,
    LOOSE,
    LOOSE_NAME,
    MANIFEST,
    PAYLOAD_FILES,
    PHOTO_NAME,
    PHOTOS,
    TAG_FILES,
    TAG_MANIFEST,
    TILE_NAME,
    bag_info,
    name_order,
)
from weedset.digests import blocks_digest
from weedset.errors import ContributionError
from weedset.findings import Findings
from weedset.storedzip import Member, StoredZip
from weedset.verification.names import bag_of, name_fault
from weedset.verification.ordered import Order
from weedset.verification.pictures import content_faults

_MOST_PICTURE_BYTES = {TILE_NAME: 8_000_000, PHOTO_NAME: 150_000_000, LOOSE_NAME: 8_000_000}
_MOST_FILE_BYTES = {LABELS: 2_000_000_000, LOOSE: 500_000_000, PHOTOS: 200_000_000,
                    MANIFEST: 200_000_000}  # fmt: skip
_REZIPPED = "it was zipped by another program: take the file that `weedset pack` wrote"
_MOST_SMALL_BYTES = 2_000_000
_REQUIRED = (*(name for name in PAYLOAD_FILES if name != LOOSE), *TAG_FILES)


@dataclass
class Survey:
    """What lies in the archive: the few files by name, and whether all lies in order.

    `octets` and `streams` count the payload, as bag-info.txt does.
    """

    bag: str = ""
    files: dict[str, Member] = field(default_factory=dict)
    octets: int = 0
    streams: int = 0
    in_order: bool = True


def survey_archive(archive: StoredZip, findings: Findings) -> Survey:
    """Go through the names, sizes and order of all members.

    Raises ContributionError where the archive is damaged, so that no more can be said.
    """
    survey, spoilt = Survey(), set()
    last: Order = (-1, "")
    for member in archive.members():
        survey.bag = survey.bag or bag_of(member.name)
        spot = findings.at(member.name)
        fault = name_fault(member.name, survey.bag)
        if fault is not None:
            spot.add(fault[0], fix=fault[1])
        if member.fault:
            spot.add(member.fault, fix=_REZIPPED)
        name = member.name.removeprefix(f"{survey.bag}/")
        if fault is not None or member.fault:
            spoilt.add(name if name in _REQUIRED else "")
            continue
        order = name_order(name)
        if order is None or order <= last:
            survey.in_order = False
            same = order == last or name in survey.files
            spot.add("is there twice" if same else "lies out of order", fix="pack it again")
            continue
        last = order
        _weigh(name, member, survey, findings)
    for name in _REQUIRED:
        if name not in survey.files and name not in spoilt:
            findings.at(name).add("is missing", fix="pack the batch again with weedset")
    return survey


def _weigh(name: str, member: Member, survey: Survey, findings: Findings) -> None:
    shape = next((shape for shape in _MOST_PICTURE_BYTES if shape.fullmatch(name)), None)
    most = _MOST_FILE_BYTES.get(name, _MOST_SMALL_BYTES)
    if shape is None:
        survey.files[name] = member
    else:
        most = _MOST_PICTURE_BYTES[shape]
    if member.size > most:
        findings.at(name).add(f"has {member.size} bytes, more than {most}")
        survey.in_order = False
        survey.files.pop(name, None)
    if name not in TAG_FILES:
        survey.octets += member.size
        survey.streams += 1


def check_tags(archive: StoredZip, survey: Survey, findings: Findings) -> None:
    """Check the tag files: what they say follows from the rest (RFC 8493, 2.1 to 2.2)."""
    fix = "it was changed on its way, or not packed by weedset: ask for it again"
    should = {BAGIT: BAGIT_TEXT, BAG_INFO: bag_info(survey.bag, survey.octets, survey.streams)}
    lines = ""
    for name in (MANIFEST, BAGIT, BAG_INFO):
        member = survey.files.get(name)
        if member is None:
            return
        lines += f"{blocks_digest(archive.chunks(member))}  {name}\n"
        if name in should and archive.read(member) != should[name].encode():
            findings.at(name).add("does not say what it should of this bag", fix=fix)
    member = survey.files.get(TAG_MANIFEST)
    if member is not None and archive.read(member) != lines.encode():
        findings.at(TAG_MANIFEST).add("does not list the digests of the tag files", fix=fix)
    for name in TAG_FILES:
        member = survey.files.get(name)
        if member is not None and member.size <= _MOST_SMALL_BYTES:
            for fault in content_faults(name, archive.read(member), member.crc, None):
                findings.at(name).add(fault.what, fix=fault.fix)


def check_card(
    archive: StoredZip, survey: Survey, findings: Findings, needed: tuple[str, ...]
) -> None:
    """Check that the card is text that can be shown anywhere, and that it says what is `needed`.

    The card is for people; what counts is in the other files.
    """
    member = survey.files.get(CARD)
    if member is None:
        return
    spot = findings.at(CARD)
    text = spot.attempt(lambda: text_of(archive, member), "")
    if "<" in text or not all(line.isprintable() for line in text.split("\n")):
        spot.add("holds control characters or marks of HTML", fix="pack the batch again")
    for words in needed:
        if words not in text:
            spot.add(f"does not say {words}, as the batch does", fix="pack the batch again")


def text_of(archive: StoredZip, member: Member) -> str:
    """Return a small file of the archive as text. Raises ContributionError if not UTF-8."""
    try:
        return archive.read(member).decode()
    except UnicodeDecodeError as exc:
        raise ContributionError("is not UTF-8 text") from exc
