"""The sections of a report that go species by species."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from training.calibration import reliability
from training.evaluation.intervals import Interval
from training.evaluation.scores import Scores, SpeciesScore
from training.figures import rounded_down, rounded_up
from training.releasing.report_page import Drawing, Section, Table
from training.releasing.report_plots import FEW_CELLS, precision_recall_svg, reliability_svg
from training.releasing.report_words import first_upper
from training.releasing.reported import Reported
from weedset.labelling import target
from weedset.modelcard import ClassCard
from weedset.records import ANY_PLANT, Action


def species_section(reported: Reported) -> Section:
    """Show how each species is told: a curve for each, and one table."""
    scores = {score.code: score for score in reported.evaluation.species}
    drawings, rows = [], []
    removed = reported.policy.remove - reported.policy.protect
    for item in reported.card.classes:
        score = scores[item.code]
        truth, found = _truth_and_found(reported, item.code)
        rows.append(_species_row(reported, score, truth, item.code in removed))
        if score.average_precision is not None:
            shown = item if item.code in removed else replace(item, treat_at=None)
            drawings.append(_curve(score, truth, found, shown, reported.name(item.code)))
    return Section(
        "species",
        "Species by species",
        words=(
            "Up is how many of the model's calls were right, to the right how many of the plants "
            "it found, from its surest call on. The dashed line is what guessing gives. A ring "
            "marks where the model says that a plant is there, a square where it is sure enough to "
            "treat what the policy removes; average precision is the area below the curve.",
        ),
        drawings=tuple(drawings),
        tables=(
            Table(
                "Each species, on cells that the model has not seen",
                (
                    "species", "policy", "cells", "sites", "average precision", "found",
                    "calls right", "treated", "treated rightly",
                ),
                tuple(rows),
                numbers_from=2,
            ),
        ),
        notes=(
            "Cells and sites: those whose label names the species. Found, calls right: at the "
            "ring. Treated: cells with it that were treated, whatever plant it was taken for. "
            "Treated rightly: of the calls at the square, for what the policy removes. A dash: "
            "nothing to count.",
            *_range_words(reported.evaluation.scores),
        ),
    )  # fmt: skip


def reliability_section(reported: Reported) -> Section | None:
    """Show whether probabilities mean what they say, all species together."""
    codes = [code for code in reported.card.codes if code != ANY_PLANT]
    parts = [_truth_and_found(reported, code) for code in codes]
    truth, found = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    curve = reliability(truth, found)
    if curve is None:
        return None
    rows = tuple(
        (f"{item.mean_probability:.2f}", f"{item.share_present:.2f}", str(item.cells))
        for item in curve.bins
    )
    each = tuple(
        (reported.name(score.code), f"{score.reliability.error:.3f}", str(score.reliability.cells))
        for score in reported.evaluation.species
        if score.reliability is not None
    )
    drawing = Drawing(
        "All species together",
        reliability_svg(curve),
        "Share that was there, by the probability given. "
        + "; ".join(f"{said}: {true} of {cells}" for said, true, cells in rows),
        f"Off by {curve.error:.3f} in the mean. A hollow point stands for fewer than "
        f"{FEW_CELLS} answers: it may lie anywhere.",
    )
    return Section(
        "sure",
        "How sure it is, and how often it is right",
        words=(
            "Of all answers in which the model gave a species about the same probability, the "
            "share in which it was there. On the dashed line a probability means what it says; "
            "below it the model is surer than it should be.",
        ),
        drawings=(drawing,),
        tables=(
            Table(
                "How sure it is, in figures", ("said", "was there", "answers"), rows, folded=True
            ),
            Table(
                "By how much each species is off (expected calibration error)",
                ("species", "off by", "answers"),
                each,
                folded=True,
            ),
        ),
    )


def _curve(
    score: SpeciesScore,
    truth: NDArray[np.int8],
    found: NDArray[np.float32],
    item: ClassCard,
    name: str,
) -> Drawing:
    figure = f"{score.average_precision:.2f}"
    return Drawing(
        name,
        precision_recall_svg(truth, found, item),
        f"Curve of {name}: average precision {figure}; where it says present, "
        f"{_share(score.present.recall)} of the plants are found and "
        f"{_share(score.present.precision)} of the calls are right.",
        f"average precision {figure}, {(truth == 1).sum()} cells",
    )


def _species_row(
    reported: Reported, score: SpeciesScore, truth: NDArray[np.int8], removed: bool
) -> tuple[str, ...]:
    there = [pair for pair, known in zip(reported.pairs, truth, strict=True) if known == 1]
    return (
        reported.name(score.code),
        _policy_words(score, removed),
        str(len(there)),
        str(len({labelled.site for labelled, _ in there})),
        _figure(score.average_precision, score.average_precision_range),
        _share(score.present.recall),
        _share(score.present.precision),
        str(sum(cell.decision.action is Action.TREAT for _, cell in there)),
        _share(score.treat.precision if removed and score.treat is not None else None),
    )


def _policy_words(score: SpeciesScore, removed: bool) -> str:
    if score.code == ANY_PLANT:
        return "-"
    if not removed:
        return "protect"
    return "remove" if score.treat is not None else "remove (never treated)"


def _truth_and_found(reported: Reported, code: str) -> tuple[NDArray[np.int8], NDArray[np.float32]]:
    """Return what labels say (n,) and probabilities (n,) of one class; 0 where not asked."""
    index = reported.card.codes.index(code)
    truth = [target(it.statement, it.looked_for, code) for it, _ in reported.pairs]
    found = [cell.probabilities[index] if cell.probabilities else 0 for _, cell in reported.pairs]
    return np.array(truth, np.int8), np.array(found, np.float32)


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _figure(value: float | None, range_: Interval | None) -> str:
    if range_ is None:
        return _share(value)
    between = f"{rounded_down(range_.low, 2):.2f}–{rounded_up(range_.high, 2):.2f}"
    return f"{_share(value)} ({between})"


def _range_words(scores: Scores) -> list[str]:
    if scores.unit is None:
        return [f"No ranges: {scores.caution}."]
    words = f"In brackets: the middle 95 % of what comes out when {scores.unit}s are drawn anew."
    return [words] if scores.caution is None else [words, f"{first_upper(scores.caution)}."]
