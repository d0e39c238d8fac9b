"""The sections of a report, each made from all that is reported."""

from __future__ import annotations

from training.evaluation.evaluation_text import held_out_words
from training.evaluation.pairs import OUGHT_WORDS, Ought
from training.evaluation.per_row import ROW_M, Count, count_words
from training.releasing.report_page import Drawing, Section, Table
from training.releasing.report_pictures import error_pictures, worst_errors
from training.releasing.report_plots import decisions_svg
from training.releasing.report_words import first_upper, next_steps, site_scores
from training.releasing.reported import Reported
from weedset.cardwords import bound_words
from weedset.records import Action
from weedset.talk import counted


def decisions_section(reported: Reported) -> Section:
    """Show what became of the cells."""
    decisions = reported.evaluation.decisions
    said = "; ".join(
        f"{words}: treated {decisions[ought][Action.TREAT]}, "
        f"unsure {decisions[ought][Action.UNSURE]}, left {decisions[ought][Action.LEAVE]}"
        for ought, words in OUGHT_WORDS.items()
    )
    drawing = Drawing(
        "",
        decisions_svg(decisions),
        f"Bars of what became of the cells. {said}.",
        "Striped: treated. Dotted: unsure, so left for a person to look at. Plain: left.",
        wide=True,
    )
    return Section("decisions", "What became of the cells", drawings=(drawing,))


def row_section(reported: Reported) -> Section | None:
    """Say what the shares come to along a row, where it was said how one is planted."""
    row = reported.evaluation.row
    if row is None:
        return None
    how = row.planting
    rows = (
        ("weeds missed", *_plants(row.weeds_missed)),
        ("crop plants hit" if row.by_name else "protected plants hit", *_plants(row.crops_hit)),
    )
    table = Table(
        f"Plants along {ROW_M} m of row", ("", "to be expected", "of", "no surprise"), rows
    )
    words = (
        f"With {how.weeds_per_m2:g} weeds per m², {how.crops_per_m:g} crop plants per m and a "
        f"band of {how.band_mm:g} mm, as whoever made this report said: none of it is measured.",
    )
    notes = [
        "A plant counts where its cell is: one that fills several cells is hit more often than "
        "this says."
    ]
    if not row.by_name:
        notes.append(
            "All protected cells are taken for crop, since no cell shows one the policy names."
        )
    return Section("row", f"Along {ROW_M} m of row", words, tables=(table,), notes=tuple(notes))


def _plants(count: Count) -> tuple[str, str, str]:
    expected, of, surprise = count_words(count)
    return expected, of, surprise or "-"


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
        else "There are none: nothing was treated that ought to be spared, and no weed was left."
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
    tables, titles = [], []
    words: tuple[str, ...] = ()
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
        head = (aspect, "sites", "cells", "to be treated", "to be protected")
        tables.append(Table(f"{caption}: cells treated, of cells", head, rows))
        titles.append(f"{aspect} by {aspect}")
        if aspect == "stage":
            words = ("Growth stages are BBCH principal stages, 0 to 9, where a label states one.",)
    if not tables:
        return None
    return Section("parts", first_upper(", ".join(titles)), words, tables=tuple(tables))


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
    return (
        f"{evaluation.cells} labelled cells of {counted(evaluation.photos, 'photo')}, "
        f"{held_out_words(evaluation)}"
    )


def _of(part: int, whole: int) -> str:
    return f"{part} of {whole}" if whole else "-"
