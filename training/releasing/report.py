"""A report on a model for people: one HTML file with figures, drawings and the worst errors."""

from __future__ import annotations

from pathlib import Path

from training.evaluation.evaluate import trial
from training.evaluation.judging import Evaluation, judge
from training.evaluation.per_row import Planting
from training.evaluation.scores import ASPECTS
from training.releasing.report_page import Page, page_html
from training.releasing.report_sections import (
    about_section,
    decisions_section,
    errors_section,
    next_section,
    parts_section,
    row_section,
    sites_section,
)
from training.releasing.report_species import reliability_section, species_section
from training.releasing.report_words import cautions, headline, more_words, named_by
from training.releasing.reported import Reported
from training.sources import Source
from weedset import __version__
from weedset.board.model import BoardModel
from weedset.digests import require_writable, write_whole
from weedset.errors import ReleaseError
from weedset.records import Opinion, Photo, Policy
from weedset.settings import Workspace
from weedset.store import open_store
from weedset.taxonomy import load_species

#: In this order; whoever has more to show adds a function that makes a `Section`.
_SECTIONS = (
    decisions_section,
    row_section,
    errors_section,
    next_section,
    species_section,
    sites_section,
    parts_section,
    reliability_section,
    about_section,
)


def write_report(
    model: BoardModel,
    source: Source,
    policy: Policy,
    out: Path,
    everything: bool = False,
    planting: Planting | None = None,
) -> Evaluation:
    """Judge a model as `evaluate` does and write the report; same inputs, same bytes.

    With `planting`, it says what shares of cells come to along a row.

    Raises as `evaluate` does, ReleaseError where `out` cannot be written.
    """
    require_writable(out, ReleaseError)
    pairs = trial(model, source, policy, "all" if everything else "test")
    evaluation = judge(
        pairs,
        model.card,
        model.digest,
        policy,
        None,
        source.cameras,
        ASPECTS,
        planting,
        unseen=everything,
    )
    photos, histories = _of_photos(source.workspace)
    reported = Reported(
        card=model.card,
        policy=policy,
        pairs=pairs,
        evaluation=evaluation,
        source=source,
        photos=photos,
        histories=histories,
        name=named_by(load_species()),
    )
    try:
        write_whole(out, page_html(report_page(reported)))
    except OSError as exc:
        fix = "name a file in a folder that can be written, and make room on the disk"
        raise ReleaseError(f"cannot be written ({exc.strerror})", where=str(out), fix=fix) from exc
    return evaluation


def report_page(reported: Reported) -> Page:
    """Return the report, section by section."""
    card, evaluation = reported.card, reported.evaluation
    sections = (section(reported) for section in _SECTIONS)
    return Page(
        title=f"How {card.name} does",
        headline=headline(evaluation).replace(" of ", "\u00a0of\u00a0"),  # figures on one line
        more=more_words(evaluation),
        cautions=tuple(cautions(card, reported.policy, evaluation, reported.name)),
        sections=tuple(section for section in sections if section is not None),
        made_with=f"Made with weedset {__version__}. This file fetches nothing and needs no "
        "network. Its pictures are parts of photos under the licence of the photos.",
    )


def _of_photos(
    workspace: Workspace | None,
) -> tuple[dict[str, Photo], tuple[tuple[Opinion, ...], ...]]:
    """Return the photos by digest and what was ever said of each tile; an edition has neither."""
    if workspace is None:
        return {}, ()
    with open_store(workspace) as store:
        photos = {photo.digest: photo for photo in store.photos()}
        return photos, tuple(tuple(history) for _, history in store.histories())
