"""The check of a contribution: all that is wrong with an archive, in one go.

The archive is read where it lies. Three rows run in step (members, manifests, labels), so
that nothing is held but the photos' sizes; pictures go to other processes.
"""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from weedset.contribution.batch import Contribution, batch_id, contribution_from
from weedset.contribution.layout import BATCH, LABELS, MANIFEST, PHOTOS
from weedset.errors import ContributionError, why_unreadable
from weedset.fields import parse_json
from weedset.findings import Finding, Findings, harmless, in_lines
from weedset.storedzip import StoredZip
from weedset.taxonomy import SpeciesList
from weedset.verification.reading import Reading
from weedset.verification.survey import (
    Survey,
    check_card,
    check_tags,
    survey_archive,
    text_of,
)


@dataclass(frozen=True, slots=True)
class Report:
    """The outcome of a check. `count` faults were found, of which `findings` are the first."""

    file: str
    contribution: Contribution | None
    findings: tuple[Finding, ...]
    count: int

    @property
    def passed(self) -> bool:
        """Whether nothing is wrong."""
        return self.count == 0

    def lines(self) -> list[str]:
        """Return what is wrong in words, a line for each kind of fault."""
        more = self.count - len(self.findings)
        return [*in_lines(self.findings), *([f"and {more} more"] if more else [])]


def check_contribution(
    path: Path,
    known: SpeciesList,
    today: date,
    workers: int | None = None,
    executor: Executor | None = None,
    given_as: str = "",
) -> Report:
    """Check an archive and say everything that is wrong with it.

    `given_as` is the name that its giver knows it by, where `path` is a copy of another name.
    `workers` and `executor` are as for `weedset.hands.in_order`.
    Raises ContributionError only where there is no such file to read.
    """
    findings = Findings()
    whole = None
    name = harmless(given_as or path.name)
    try:
        with path.open("rb") as file:
            try:
                archive = StoredZip(file, name)
                survey = survey_archive(archive, findings)
            except ContributionError as error:
                findings.at(name).add_error(error)
            else:
                reading = path, archive, survey, findings
                whole = _check_contents(*reading, known, today, workers, executor)
    except OSError as exc:
        folder = isinstance(exc, IsADirectoryError)
        fix = "name a contribution, which `weedset pack` makes of a batch" if folder else ""
        raise ContributionError(why_unreadable(exc), where=str(path), fix=fix) from exc
    return Report(name, whole, tuple(findings.shown), findings.count)


def _check_contents(
    path: Path,
    archive: StoredZip,
    survey: Survey,
    findings: Findings,
    known: SpeciesList,
    today: date,
    workers: int | None,
    executor: Executor | None,
) -> Contribution | None:
    check_tags(archive, survey, findings)
    whole, before = None, findings.count
    batch = survey.files.get(BATCH)
    if batch is not None:
        spot = findings.at(BATCH)
        with spot.catching():
            fields = parse_json(text_of(archive, batch), BATCH, ContributionError)
            whole = contribution_from(fields, known, today, spot)
    # What is wrong in it already would be said again of all that should agree with it.
    sound = whole is not None and findings.count == before
    needed = (batch_id(whole), f"Licence: {whole.giving.licence}.") if whole and sound else ()
    check_card(archive, survey, findings, needed)
    if whole is None:
        return None
    if sound and survey.bag != batch_id(whole):
        what = f"is the bag {survey.bag!r}, but holds {batch_id(whole)!r}"
        findings.at(BATCH).add(what, field="eventID")
    if survey.in_order and survey.files.keys() >= {LABELS, PHOTOS, MANIFEST}:
        Reading(path, archive, survey, findings, whole, today).run(workers, executor)
    return whole
