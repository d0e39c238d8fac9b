"""An evaluation in words, for people, and as a record, for programs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import is_dataclass
from enum import StrEnum
from textwrap import fill
from typing import Any

from training.evaluation.intervals import Interval
from training.evaluation.judging import Evaluation, GateScore
from training.evaluation.pairs import OUGHT_WORDS, Ought
from training.evaluation.per_row import ROW_M, Count, RowForecast, count_words
from training.evaluation.scores import Part, Ranges, Scores, Share, SpeciesScore
from training.figures import rounded_down, rounded_up
from training.metrics import Calls
from weedset.records import ANY_PLANT, Action
from weedset.talk import counted


def evaluation_record(evaluation: Evaluation) -> dict[str, object]:
    """Return the evaluation as a record for JSON, precision, recall and shares worked out."""
    record = worked_out(evaluation)
    scores = record.pop("scores")
    return {**record, **scores, "record": "evaluation"}


def worked_out(value: Any) -> Any:
    """Return records as tables, with what their properties say."""
    if isinstance(value, StrEnum):
        return str(value)
    if isinstance(value, dict):
        return {str(key): worked_out(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [worked_out(item) for item in value]
    if not is_dataclass(value) or isinstance(value, type):
        return value
    table = {name: worked_out(getattr(value, name)) for name in value.__dataclass_fields__}
    if isinstance(value, Calls):
        return {**table, "precision": value.precision, "recall": value.recall}
    return {**table, "share": value.value} if isinstance(value, Share) else table


def evaluation_table(evaluation: Evaluation) -> str:
    """Return the evaluation as text for people."""
    scores = evaluation.scores
    lines = [
        f"{evaluation.model}: {evaluation.cells} labelled cells of "
        f"{counted(evaluation.photos, 'photo')} of {counted(scores.sites, 'site')}, "
        f"{held_out_words(evaluation)}",
        "",
        *species_lines(scores),
        "",
        *decision_lines(scores, evaluation.policy),
    ]
    if evaluation.row is not None:
        lines += ["", *row_lines(evaluation.row)]
    if evaluation.gate is not None:
        lines += ["", *_gate_lines(evaluation.gate)]
    lines += part_lines(scores.parts)
    lines += note_lines(scores)
    if evaluation.split == "photo":
        note = (
            "NOTE: held out by photo, not by site. These figures FLATTER the model: in another "
            "garden, or another spring, it will do worse."
        )
        lines += ["", fill(note, 80)]
    return "\n".join(lines)


def held_out_words(evaluation: Evaluation) -> str:
    """Return in words what of a garden the model may have seen."""
    if evaluation.split == "unseen":
        return "of which it has seen nothing"
    return f"held out by {evaluation.split}"


def note_lines(scores: Scores) -> list[str]:
    """Return what to bear in mind about the intervals."""
    return ["", fill(f"NOTE: {scores.caution}.", 80)] if scores.caution else []


def species_lines(scores: Scores) -> Iterator[str]:
    """Yield a table of all classes, and what its figures mean."""
    yield from _species_lines(scores.species)
    if scores.unit is not None:
        yield f"[ ]: the middle 95 % of what comes out when whole {scores.unit}s are drawn anew;"
    yield "off: expected calibration error, by how much probabilities are wrong;"
    yield f"{ANY_PLANT}: any plant at all, named or not"


def _species_lines(species: tuple[SpeciesScore, ...]) -> Iterator[str]:
    """Yield a line for each class, and one below it for the cells that it would treat."""
    yield f"{'class':<8} {'cells':>5}  {'avg. precision':<18}{'precision':<18}{'recall':<18}off"
    for item in species:
        off = "-" if item.reliability is None else f"{item.reliability.error:.3f}"
        average = figure(item.average_precision, item.average_precision_range)
        cells = item.present.right + item.present.missed
        calls = _calls(item.present, item.present_ranges)
        yield f"{item.code:<8} {cells:>5}  {average:<18}{calls}{off}"
        if item.code == ANY_PLANT:
            continue  # no policy asks to treat whatever grows
        if item.treat is None or item.treat_ranges is None:
            yield f"{'':<9}{'never treated':>23}"
        else:
            calls = _calls(item.treat, item.treat_ranges)
            yield f"{'':<9}{'where it treats':>23}  {calls}".rstrip()


def row_lines(row: RowForecast) -> Iterator[str]:
    """Yield what to expect along a row."""
    how = row.planting
    yield f"along {ROW_M} m of row (how it is planted is as you said, not measured):"
    yield (
        f"{how.weeds_per_m2:g} weeds per m2, {how.crops_per_m:g} crop plants per m, a band of "
        f"{how.band_mm:g} mm"
    )
    yield f"  weeds missed      {_count(row.weeds_missed)}"
    yield "    (those that are left for a plant to protect beside them count as missed)"
    yield f"  crop plants hit   {_count(row.crops_hit)}"
    if not row.by_name:
        yield "  (all protected cells taken for crop, since no cell shows one the policy names)"


def part_lines(parts: tuple[Part, ...]) -> Iterator[str]:
    """Yield the scores of each part, under a heading for each aspect."""
    heading = ""
    for part in parts:
        if part.by != heading:
            heading = part.by
            yield ""
            yield f"by {heading}"
        yield (
            f"{part.name}: {part.cells} cells; treated {_hits(part.treated)} to be treated, "
            f"{_hits(part.harm)} protected"
        )
        yield from (f"  {line}" for line in _species_lines(part.species))


def decision_lines(scores: Scores, policy: str) -> Iterator[str]:
    """Yield what became of the cells under a policy, and how sure that is."""
    yield f"policy: {policy}"
    yield f"{'cells':<20}" + "".join(f"{action:>8}" for action in Action) + "  share treated"
    shares = {Ought.REMOVE: scores.treated, Ought.PROTECT: scores.harm}
    for ought, words in OUGHT_WORDS.items():
        counts = scores.decisions[ought]
        of, hits = sum(counts.values()), counts[Action.TREAT]
        share = shares.get(ought, Share(hits, of, None, None))
        figures = "".join(f"{counts[action]:>8}" for action in Action)
        yield f"  {words:<18}{figures}  {figure(share.value, share.range)}"
    if scores.weeds_protected:
        yield f"to be protected, though a plant to remove is there too: {scores.weeds_protected}"
    if scores.not_told:
        yield f"left out, since their label does not tell what to do: {scores.not_told}"
    yield from _harm_lines(scores)


def _harm_lines(scores: Scores) -> Iterator[str]:
    nothing = not scores.treated.cells and not scores.harm.hits  # as without a policy
    if scores.harm.upper_95 is not None and not nothing:
        below = _below(scores.harm.upper_95)
        yield f"harm: {below} of the cells to be protected, if cells"
        yield "were independent. Those of one site are not: expect more; see `weedset bound`."
    if scores.strange is not None:
        yield f"cells with plants that it cannot name, treated: {_share(scores.strange.treated)}"
        if scores.strange.found is not None:
            yield f"  told from plants that it can (area under ROC): {scores.strange.found:.3f}"


def _gate_lines(gate: GateScore) -> Iterator[str]:
    bound = gate.missed_upper_95
    yield f"gate at {gate.least_green:g} green: skips {gate.bare_skipped} of {gate.bare} bare cells"
    yield f"and misses {gate.with_plant_skipped} of {gate.with_plant} cells with plants"
    if bound is not None:
        yield f"  {_below(bound)} of them, if cells were independent"


def _below(bound: float) -> str:
    return f"with 95 % confidence below {rounded_up(bound, 4) * 100:.2f} %"


def _calls(calls: Calls, ranges: Ranges) -> str:
    precision = figure(calls.precision, ranges.precision)
    return f"{precision:<18}{figure(calls.recall, ranges.recall):<18}"


def _share(share: Share) -> str:
    value = "" if share.value is None else f", {figure(share.value, share.range)}"
    return _hits(share) + value


def _hits(share: Share) -> str:
    return f"{share.hits} of {share.cells}"


def _count(count: Count) -> str:
    expected, of, surprise = count_words(count)
    if count.expected is None:
        return f"{expected} (of {of})"
    return f"{expected} of {of}" + (f" [{surprise}]" if surprise else "")


def figure(value: float | None, range_: Interval | None) -> str:
    """Return a share with the interval that drawing sites anew gave it, rounded outwards."""
    if value is None:
        return "-"
    if range_ is None:
        return f"{value:.3f}"
    return f"{value:.3f} [{rounded_down(range_.low, 2):.2f}-{rounded_up(range_.high, 2):.2f}]"
