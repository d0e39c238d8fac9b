"""A comparison of two models in words and tables, for people and for programs."""

from __future__ import annotations

from dataclasses import asdict
from textwrap import fill

from training.evaluation.pairs import OUGHT_WORDS
from training.paired import Discord
from training.releasing.compare import Comparison, SpeciesChange, range_words, worse_points
from weedset.talk import counted


def comparison_record(found: Comparison) -> dict[str, object]:
    """Return the comparison as a record for JSON."""
    return {"record": "comparison", **asdict(found), "worse": list(worse_points(found))}


def comparison_table(found: Comparison) -> str:
    """Return the comparison as text for people."""
    new, old = _names(found)
    lines = [
        f"{new} (new) against {old} (old), on",
        f"{found.cells} labelled cells of {counted(found.photos, 'photo')} of "
        f"{counted(found.sites, 'site')} that neither has learned from",
        "",
        "average precision",
        f"class    cells  {found.unit + 's':>6}    new    old  change  95 % interval",
    ]
    lines += [_species_line(change) for change in found.species]
    lines += ["", f"policy: {found.policy}", "", f"{'cells treated':<30}"
              "  both  only new  only old  neither  p (McNemar)"]  # fmt: skip
    lines += [
        _discord_line(f"  {words}", found.treated[ought]) for ought, words in OUGHT_WORDS.items()
    ]
    lines += [
        _discord_line(f"  to be protected, with {change.code}", change.treated)
        for change in found.species
        if change.treated is not None and change.cells_with
    ]
    prose = [*notes(found), *_conclusion(found)]
    return "\n".join([*lines, "", *(fill(line, 80) for line in prose)])


def _names(found: Comparison) -> tuple[str, str]:
    """Return how the two are told apart: two runs of one recipe have the same name."""
    if found.new != found.old:
        return found.new, found.old
    return f"{found.new} {found.new_digest[:12]}", f"{found.old} {found.old_digest[:12]}"


def notes(found: Comparison) -> list[str]:
    """Return in words how far the figures may be trusted, and what cannot be compared."""
    lines = []
    if found.unit == "photo":
        lines.append(
            "NOTE: there are fewer than three sites, so photos were resampled instead. Photos of "
            "one site are alike, so the intervals are too narrow: that FLATTERS whichever model "
            "looks better."
        )
    else:
        lines.append(
            f"The intervals come from resampling {found.sites} sites; with fewer than about "
            "twenty they are somewhat too narrow."
        )
    lines.append("McNemar's test takes cells for independent, which neighbours are not.")
    if found.gained:
        lines.append(f"Only the new model tells {', '.join(found.gained)}.")
    if found.lost:
        lines.append(f"Only the old model tells {', '.join(found.lost)}.")
    untold = [item.code for item in found.species if item.cells_with and item.range is None]
    if untold:
        lines.append(
            f"No interval is told of {', '.join(untold)}: on one {found.unit} only, or the same in "
            "every draw. Whether it is told worse, only the decisions say."
        )
    unseen = [change.code for change in found.species if not change.cells_with]
    if unseen:
        lines.append(f"No cell shows {', '.join(unseen)}: nothing can be said of them.")
    return lines


def _conclusion(found: Comparison) -> list[str]:
    reasons = worse_points(found)
    worse = [item.code for item in found.species if item.range and item.range.high < 0]
    told_worse = (
        [f"The new model tells {', '.join(worse)} worse than the old one."] if worse else []
    )
    if reasons:
        return ["", *told_worse, *(f"WORSE: the new model {reason}." for reason in reasons)]
    return [
        "",
        "Nothing that the policy protects is worse off with the new model, beyond the noise.",
        *told_worse,
    ]


def _species_line(change: SpeciesChange) -> str:
    line = (
        f"{change.code:<8} {change.cells_with:>5}  {change.units_with:>6}  "
        f"{_share(change.new):>5}  {_share(change.old):>5}"
    )
    if change.new is None or change.old is None:
        return line
    told = "not told" if change.range is None else range_words(change.range)
    return f"{line}  {change.new - change.old:>+6.3f}  {told}"


def _discord_line(words: str, treated: Discord) -> str:
    return (
        f"{words:<30}  {treated.both:>4}  {treated.only_new:>8}  {treated.only_old:>8}  "
        f"{treated.neither:>7}  {treated.p_two_sided:>11.3g}"
    )


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"
