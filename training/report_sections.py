"""The sections of a report, each made from all that is reported."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from training.bound_words import bound_words
from training.calibration import reliability
from training.intervals import Interval
from training.judging import Evaluation
from training.pairs import Ought, Pair
from training.report_page import Drawing, Section, Table
from training.report_pictures import error_pictures, worst_errors
from training.report_plots import FEW_CELLS, decisions_svg, precision_recall_svg, reliability_svg
from training.report_words import Name, first_upper, next_steps, site_scores
from training.scores import Scores, SpeciesScore
from training.sources import Source
from weedset.labelling import target
from weedset.modelcard import ClassCard, ModelCard
from weedset.records import ANY_PLANT, Action, Opinion, Photo, Policy


@dataclass(frozen=True, slots=True)
class Reported:
    """All that a report tells of: a model, and what it made of cells that it had not seen.

    `source` is all that is labelled; `photos` by digest and `histories`, all opinions of each
    tile, are empty of an edition.
    """

    card: ModelCard
    policy: Policy
    pairs: Sequence[Pair]
    evaluation: Evaluation
    source: Source
    photos: Mapping[str, Photo]
    histories: Sequence[Sequence[Opinion]]
    everything: bool
    name: Name


def decisions_section(reported: Reported) -> Section:
    """Show what became of the cells."""
    decisions = reported.evaluation.decisions
    words = {Ought.REMOVE: "to be treated", Ought.PROTECT: "to be protected", Ought.BARE: "bare"}
    rows = [
        (words[ought], *(str(decisions[ought][action]) for action in Action)) for ought in Ought
    ]
    said = "; ".join(
        f"{name}: treated {treat}, left {leave}, unsure {unsure}"
        for name, treat, leave, unsure in rows
    )
    drawing = Drawing(
        "",
        decisions_svg(decisions),
        f"Bars of what became of the cells. {said}.",
        "Striped: treated. Dotted: unsure, so left for a person to look at. Plain: left.",
        wide=True,
    )
    table = Table(
        "What became of the cells, in figures", ("cells", *Action), tuple(rows), folded=True
    )
    return Section("decisions", "What became of the cells", drawings=(drawing,), tables=(table,))


def errors_section(reported: Reported) -> Section:
    """Show the worst errors as pictures."""
    errors = worst_errors(reported.pairs, reported.card, reported.policy)
    shown = (
        "Each picture shows a cell, framed and bright, with the ground around it dimmed."
        if reported.photos
        else "Each picture shows a cell; of an edition there is no ground around it to be shown."
    )
    words = (
        f"{shown} Plants to protect that were treated come first, the surest mistakes before the "
        "others."
        if errors
        else "There are none: every cell was decided on as its label and the policy ask."
    )
    return Section(
        "errors",
        "The worst errors",
        words=(words,),
        pictures=error_pictures(errors, reported.photos, reported.source, reported.name),
    )


def next_section(reported: Reported) -> Section:
    """Say what would help most next."""
    steps = next_steps(
        reported.source.tiles,
        reported.pairs,
        reported.histories,
        reported.card,
        reported.policy,
        reported.name,
    )
    words = () if steps else ("Nothing stands out: more gardens help most, whatever they grow.",)
    return Section("next", "What would help most next", words=words, points=steps)


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
            "Cells and sites: those whose label names the species. Found and calls right: at the "
            "ring. Treated: of the cells with it, as whatever plant. Treated rightly: of all calls "
            "at the square, for what the policy removes. A dash: no such cells.",
            *_range_words(reported.evaluation.scores),
        ),
    )  # fmt: skip


def sites_section(reported: Reported) -> Section:
    """Show what the model did at each site."""
    rows = [
        (
            score.site,
            str(score.photos),
            str(score.cells),
            *(_of(*score.treated[ought]) for ought in (Ought.REMOVE, Ought.PROTECT, Ought.BARE)),
        )
        for score in site_scores(reported.pairs, reported.policy)
    ]
    table = Table(
        "Each site: cells treated, of cells",
        ("site", "photos", "labelled cells", "to be treated", "to be protected", "bare"),
        tuple(rows),
    )
    return Section("sites", "Site by site", tables=(table,))


def parts_section(reported: Reported) -> Section | None:
    """Show what the model did by camera and by growth stage, where there are several."""
    tables = []
    for aspect, caption in (("camera", "Each camera"), ("stage", "Plants at each growth stage")):
        parts = [part for part in reported.evaluation.scores.parts if part.by == aspect]
        if len(parts) < 2:
            continue
        rows = tuple(
            (
                part.name,
                str(part.sites),
                str(part.cells),
                _of(part.treated.hits, part.treated.cells),
                _of(part.harm.hits, part.harm.cells),
            )
            for part in parts
        )
        head = (aspect, "sites", "cells", "with plants to remove", "to be protected")
        tables.append(Table(f"{caption}: cells treated, of cells", head, rows))
    if not tables:
        return None
    words = "Growth stages are BBCH principal stages, 0 to 9, where a label states one."
    return Section("parts", "Camera by camera, stage by stage", (words,), tables=tuple(tables))


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


def about_section(reported: Reported) -> Section:
    """Say which model, policy and photos the report is about."""
    card, policy, evaluation = reported.card, reported.policy, reported.evaluation
    removed = sorted(policy.remove - policy.protect)
    rows: tuple[tuple[str, str], ...] = (
        ("model", f"{card.name}, of {card.made_on}, with {card.made_with}"),
        ("file, SHA-256", evaluation.model_digest),
        ("learned from", f"{card.edition}, SHA-256 {card.edition_digest}"),
        ("licence", card.licence),
        ("givers", ", ".join(card.givers) or "not named"),
        ("judged on", _judged_on(reported)),
        ("cells", f"{card.cell_mm:g} mm of ground on a side"),
        ("policy", f"{policy.name}: removes {', '.join(removed) or 'nothing'}; protects the rest"),
    )
    if card.bound is not None:
        rows = (*rows, ("bound on harm", bound_words(card.bound)))
    table = Table("What this report is about", (), rows, numbers_from=2)
    return Section("about", "The model and its judging", tables=(table,))


def _judged_on(reported: Reported) -> str:
    evaluation = reported.evaluation
    how = (
        "all that is labelled, of which it has seen nothing"
        if reported.everything
        else f"held out by {evaluation.split}"
    )
    return f"{evaluation.cells} labelled cells of {evaluation.photos} photos, {how}"


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
        "-" if score.code == ANY_PLANT else "remove" if removed else "protect",
        str(len(there)),
        str(len({labelled.site for labelled, _ in there})),
        _figure(score.average_precision, score.average_precision_range),
        _share(score.present.recall),
        _share(score.present.precision),
        str(sum(cell.decision.action is Action.TREAT for _, cell in there)),
        "-" if not removed else "never" if score.treat is None else _share(score.treat.precision),
    )


def _truth_and_found(reported: Reported, code: str) -> tuple[NDArray[np.int8], NDArray[np.float32]]:
    """Return what labels say (n,) and probabilities (n,) of one class; 0 where not asked."""
    index = reported.card.codes.index(code)
    truth = [target(it.statement, it.looked_for, code) for it, _ in reported.pairs]
    found = [cell.probabilities[index] if cell.probabilities else 0 for _, cell in reported.pairs]
    return np.array(truth, np.int8), np.array(found, np.float32)


def _of(part: int, whole: int) -> str:
    return f"{part} of {whole}" if whole else "-"


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _figure(value: float | None, range_: Interval | None) -> str:
    between = "" if range_ is None else f" ({range_.low:.2f}–{range_.high:.2f})"
    return _share(value) + between


def _range_words(scores: Scores) -> list[str]:
    if scores.unit is None:
        return [f"No ranges: {scores.caution}."]
    words = f"In brackets: the middle 95 % of what comes out when {scores.unit}s are drawn anew."
    return [words] if scores.caution is None else [words, f"{first_upper(scores.caution)}."]
