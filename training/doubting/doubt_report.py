"""What was found about labels: for people, for programs, and as a list to review."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from training.doubting.annotators import PairAgreement
from training.doubting.doubts import Dispute, Doubt, Doubts
from training.doubting.told import Told
from training.figures import rounded_down, rounded_up
from weedset.agreement import Agreement
from weedset.labelling import in_words
from weedset.records import ANY_PLANT
from weedset.reviewlist import ReviewItem

Record = dict[str, object]
Row = tuple[str, ...]


def doubt_records(
    told: Sequence[Told], found: Doubts, pairs: Sequence[PairAgreement]
) -> Iterator[Record]:
    """Yield a record for each doubtful label, strange tile, species, site and annotator."""
    for doubt in found.doubts:
        item = told[doubt.place]
        yield {
            "kind": "doubt",
            **_place(item),
            "said": in_words(item.statement),
            "suggested": doubt.suggested,
            "about": doubt.code,
            "sure": round(doubt.sure, 4),
        }
    for place in found.strange:
        yield {"kind": "strange", **_place(told[place]), "said": in_words(told[place].statement)}
    for code, noise in found.noise.items():
        yield {
            "kind": "species",
            "species": code,
            "present": noise.present,
            "absent": noise.absent,
            "wrongly_present": round(noise.wrongly_present, 4),
            "wrongly_absent": round(noise.wrongly_absent, 4),
        }
    for kind, disputes in (("site", found.sites), ("annotator", found.annotators)):
        for dispute in disputes:
            yield {
                "kind": kind,
                "name": dispute.name,
                "tiles": dispute.tiles,
                "disputed": dispute.disputed,
                "low": rounded_down(dispute.low, 4),
                "high": rounded_up(dispute.high, 4),
            }
    for pair in pairs:
        yield {
            "kind": "agreement",
            "one": pair.one,
            "other": pair.other,
            "about": pair.code,
            "tiles": pair.agreement.count,
            "same": pair.agreement.same,
            "kappa": pair.agreement.kappa,
            "low": pair.agreement.low,
            "high": pair.agreement.high,
        }


def doubt_text(told: Sequence[Told], found: Doubts, pairs: Sequence[PairAgreement]) -> str:
    """Return what was found as tables, one below the other."""
    sure = [
        (
            f"{doubt.sure:.2f}",
            _named(told[doubt.place]),
            in_words(told[doubt.place].statement),
            doubt.suggested,
            _about(doubt, told[doubt.place]),
        )
        for doubt in found.doubts
    ]
    strange = [(_named(told[i]), in_words(told[i].statement)) for i in found.strange]
    species = [
        (
            code,
            f"{noise.wrongly_present:.1%} of {noise.present}",
            f"{noise.wrongly_absent:.1%} of {noise.absent}",
        )
        for code, noise in found.noise.items()
    ]
    agreeing = [
        (
            pair.one,
            pair.other,
            _plant(pair.code),
            str(pair.agreement.count),
            str(pair.agreement.same),
            _figure(pair.agreement.kappa),
            _between(pair.agreement),
        )
        for pair in pairs
    ]
    tables = (
        ("Labels that the others contradict, the worst first",
         ("sure", "tile", "said", "the others say", "above all"), sure),
        ("Tiles that look like hardly any other", ("tile", "said"), strange),
        ("Labels that seem wrong, by species", ("species", "said there", "said to lack"), species),
        ("Labels contradicted, by site",
         ("site", "labels", "contradicted", "share", "95 % interval"), _shares(found.sites)),
        ("Labels contradicted, by who labelled",
         ("who", "labels", "contradicted", "share", "95 % interval"), _shares(found.annotators)),
        ("How well two people agree who labelled the same tiles",
         ("one", "other", "about", "tiles", "same", "kappa", "95 % interval"), agreeing),
    )  # fmt: skip
    return "\n\n".join(_table(title, head, rows) for title, head, rows in tables if rows)


def review_items(told: Sequence[Told], found: Doubts) -> list[ReviewItem]:
    """Return the tiles to look at again: doubtful labels, then strange tiles."""
    reasons = {doubt.place: _reason(doubt, told[doubt.place]) for doubt in found.doubts}
    for place in found.strange:
        reasons.setdefault(place, "looks like hardly any other tile")
    return [
        ReviewItem(item.photo, item.row, item.col, reason[:300], item.contribution)
        for item, reason in ((told[place], reason) for place, reason in reasons.items())
    ]


def _reason(doubt: Doubt, item: Told) -> str:
    about = _about(doubt, item)
    above_all = "" if about == doubt.suggested else f"{about}, "
    return f"the others say {doubt.suggested} ({above_all}{doubt.sure:.2f} sure)"


def _place(item: Told) -> Record:
    return {
        "contribution": item.contribution,
        "batch": item.batch,
        "photo": item.photo,
        "name": item.name,
        "row": item.row,
        "col": item.col,
        "who": item.statement.annotator,
    }


def _named(item: Told) -> str:
    where = f"{item.batch}/" if item.contribution else ""
    return f"{where}{item.name} row {item.row} column {item.col}"


def _about(doubt: Doubt, item: Told) -> str:
    said_there = doubt.code in item.statement.present or (
        doubt.code == ANY_PLANT and bool(item.statement.present or item.statement.unknown_plant)
    )
    return f"{'no ' if said_there else ''}{_plant(doubt.code)}"


def _plant(code: str) -> str:
    return "plant" if code == ANY_PLANT else code


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _between(found: Agreement) -> str:
    if found.low is None or found.high is None:
        return "-"
    return f"{rounded_down(found.low, 2):.2f} to {rounded_up(found.high, 2):.2f}"


def _shares(disputes: Sequence[Dispute]) -> list[Row]:
    return [
        (
            dispute.name,
            str(dispute.tiles),
            str(dispute.disputed),
            f"{dispute.disputed / dispute.tiles:.1%}",
            f"{rounded_down(dispute.low, 3):.1%} to {rounded_up(dispute.high, 3):.1%}",
        )
        for dispute in disputes
    ]


def _table(title: str, head: Row, rows: Sequence[Row]) -> str:
    widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
    lines = (
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (head, *rows)
    )
    return "\n".join([f"{title}:", *(f"  {line}" for line in lines)])
