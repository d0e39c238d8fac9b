"""The contributor's verbs: say who gives, pack, check, hand over."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from weedset.cli.describing import BatchArgument, describe, find_batch
from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.cli.options import ClusterOption, SpeciesOption
from weedset.contribution.batch import batch_id, contribution_table
from weedset.contribution.giving import Giving, giving_fields, giving_path, read_giving
from weedset.errors import CheckNotPassedError, ContributionError
from weedset.hands import cluster_executor
from weedset.licences import LICENCES
from weedset.looksheets import LOOK_AT_THESE
from weedset.packing import pack_batch
from weedset.preview import (
    STAYS,
    Preview,
    all_octets,
    picture_counts,
    preview_batch,
    remember_preview,
    require_preview,
)
from weedset.records import Batch
from weedset.settings import open_workspace
from weedset.store import open_store
from weedset.submitting import submit as hand_over
from weedset.talk import counted, say
from weedset.taxonomy import load_species
from weedset.verification.check import Report, check_contribution

WorkersOption = Annotated[int | None, typer.Option(min=1, help="Processes; all cores if not set.")]


def add_contributor_verbs(app: typer.Typer) -> None:
    """Add the contributor's verbs to `app`."""
    app.command("licences")(licences)
    app.command("describe")(describe)
    app.command("pack")(pack)
    app.command("check")(check)
    app.command("submit")(submit)


def licences(as_json: JsonOption = False) -> None:
    """List the licences that you can give under, each in a sentence.

    Example: `weedset licences`

    Example: `weedset licences --json`
    """
    for licence in LICENCES:
        if as_json:
            emit(
                {
                    "id": licence.id,
                    "url": licence.url,
                    "sentence": licence.sentence,
                    "standing": licence.admission,
                    "reason": licence.reason,
                }
            )
        else:
            why = f" ({licence.admission}: {licence.reason})" if licence.reason else ""
            typer.echo(f"{licence.id:26s} {licence.sentence}{why}")


def pack(
    batch: BatchArgument,
    out: Annotated[Path, typer.Option(help="The archive to write.")],
    workspace: WorkspaceOption = Path(),
    preview: Annotated[
        bool,
        typer.Option(
            "--preview",
            help="Write no archive: say what would leave, and write contact sheets beside it.",
        ),
    ] = False,
    photos: Annotated[
        bool, typer.Option("--photos", help="Put the whole photos in too, of which tiles go.")
    ] = False,
    looked: Annotated[
        bool,
        typer.Option(
            "--looked",
            help="I have looked at the contact sheet: nobody, no house number, no number plate "
            "and no screen is to be seen.",
        ),
    ] = False,
    own_species: SpeciesOption = None,
    workers: WorkersOption = None,
    as_json: JsonOption = False,
) -> None:
    """Pack a labelled batch into one archive that you can hand over.

    Look first: `--preview` says what would leave the machine. Only the labelled tiles go,
    with their labels and what `weedset describe` states. Names of files and of the site,
    hours, positions, serial numbers and all else that cameras write beside the picture
    stay. The archive is checked before it appears.

    Example: `weedset pack "long-acre 2026-05-04" --out acre.zip --preview`

    Example: `weedset pack "long-acre 2026-05-04" --out acre.zip --looked`

    Example: `weedset pack "long-acre 2026-05-04" --out acre.zip --photos --looked`
    """
    room = open_workspace(workspace)
    today = date.today()
    known = load_species(own_species)
    with open_store(room) as store:
        found = find_batch(store, batch)
        giving = _giving(room.root, found, today)
        if preview:
            seen = preview_batch(store, room, found, giving, out, whole_photos=photos)
            remember_preview(store, room, found, whole_photos=photos)
            _show_preview(seen, as_json)
            return
        if not looked:
            raise ContributionError(
                "nobody has said that they looked at the pictures",
                where=f"batch {found.id}",
                fix="run it with --preview, look at the contact sheet, then give --looked",
            )
        require_preview(store, room, found, whole_photos=photos)

        def approve(path: Path) -> None:
            report = check_contribution(path, known, today, workers)
            if not report.passed:
                _show(replace(report, file=out.name))
                raise CheckNotPassedError(
                    f"has {counted(report.count, 'fault')} and is not written",
                    where=str(out),
                    fix="mend what is named above",
                )

        whole = pack_batch(
            store, room, found, giving, known, out, whole_photos=photos, approve=approve
        )
    say(f"{counted(whole.contents.tiles, 'tile')} of {batch_id(whole)} packed into {out}.")
    say(f"Next: weedset submit {quote(str(out))} --to FOLDER, or hand the file over yourself.")
    if as_json:
        emit({"archive": str(out), **contribution_table(whole)})


def _show_preview(seen: Preview, as_json: bool) -> None:
    if as_json:
        emit(
            {
                "tiles": seen.tiles,
                "photos": seen.photos,
                "whole_photos": seen.whole_photos,
                "loose": seen.loose,
                "bytes": all_octets(seen),
                "tile_bytes": seen.tile_octets,
                "photo_bytes": seen.photo_octets,
                "loose_bytes": seen.loose_octets,
                "annotators": seen.annotators,
                "unnamed": seen.unnamed,
                "cameras": seen.cameras,
                "stated": dict(seen.stated),
                "stays": STAYS,
                "sheets": [str(path) for path in seen.sheets],
            }
        )
        return
    typer.echo("Would leave this machine:")
    for line in picture_counts(seen):
        typer.echo(f"  {line}")
    typer.echo(f"  labels, each with its day and who made it: {', '.join(seen.annotators)}")
    if seen.unnamed:
        giver = dict(seen.stated)["giver"]
        labels = counted(seen.unnamed, "label")
        typer.echo(f"    {labels} made without a name: given as made by the giver, {giver}")
    typer.echo(
        "  of each photo: the day, its size and scale, the fingerprint of its file (SHA-256), "
        f"and its camera profile: {', '.join(seen.cameras)}"
    )
    for name, value in seen.stated:
        typer.echo(f"  {name}: {value}")
    typer.echo("Would stay here:")
    for item in STAYS:
        typer.echo(f"  {item}")
    typer.echo(LOOK_AT_THESE)
    for path in seen.sheets:
        typer.echo(f"  {path}")


def _giving(root: Path, batch: Batch, today: date) -> Giving:
    path = giving_path(root, batch.id)
    if not path.is_file():
        raise ContributionError(
            "nothing is stated about who gives it, and under which licence",
            where=f"batch {batch.id}",
            fix=f"run `weedset describe {batch.id!r} --help`",
        )
    return read_giving(path, today)


def check(
    file: Annotated[Path, typer.Argument(help="The archive.")],
    own_species: SpeciesOption = None,
    workers: WorkersOption = None,
    cluster: ClusterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Check a contribution and say everything that is wrong with it.

    The archive is read where it lies; nothing is unpacked. Exit code 3 if it does not pass.

    Example: `weedset check acre.zip`

    Example: `weedset check acre.zip --json`
    """
    known, today = load_species(own_species), date.today()
    with cluster_executor(cluster) as executor:
        report = check_contribution(file, known, today, workers, executor)
    if as_json:
        emit(report_record(report))
    else:
        _show(report)
    if not report.passed:
        raise typer.Exit(CheckNotPassedError.exit_code)


def submit(
    file: Annotated[Path, typer.Argument(help="The archive.")],
    to: Annotated[str, typer.Option(help="A folder, or an address such as s3://pool/in.")],
    own_species: SpeciesOption = None,
    workers: WorkersOption = None,
    as_json: JsonOption = False,
) -> None:
    """Hand a contribution over: check it, then copy it to a folder or an address.

    Nothing goes over the network unless --to is an address (with ://).

    Example: `weedset submit acre.zip --to /mnt/pool/incoming`

    Example: `weedset submit acre.zip --to sftp://pool.example.org/incoming`
    """
    report = check_contribution(file, load_species(own_species), date.today(), workers)
    if not report.passed:
        _show(report)
        raise CheckNotPassedError(
            f"has {counted(report.count, 'fault')} and is not handed over",
            where=str(file),
            fix="pack it again after mending what is named above",
        )
    where = hand_over(file, to)
    say(f"Handed over: {where}")
    if as_json:
        emit({"archive": str(file), "handed_to": str(where)})


def report_record(report: Report) -> dict[str, object]:
    """Return a report for a program to read."""
    whole = report.contribution
    return {
        "file": report.file,
        "passed": report.passed,
        "faults": report.count,
        "findings": [
            {"file": f.file, "row": f.row, "field": f.field, "what": f.what, "do": f.fix}
            for f in report.findings
        ],
        "batch": batch_id(whole) if whole and report.passed else None,
        "tiles": whole.contents.tiles if whole and report.passed else None,
        "giving": giving_fields(whole.giving) if whole and report.passed else None,
    }


def _show(report: Report) -> None:
    for line in report.lines():
        typer.echo(line)
    whole = report.contribution
    if report.passed and whole:
        typer.echo(
            f"{report.file} is in order: {counted(whole.contents.tiles, 'tile')} of "
            f"{counted(whole.contents.photos, 'photo')}, {whole.giving.licence}, "
            f"given by {whole.giving.credit or whole.giving.giver}"
        )
    else:
        typer.echo(f"{report.file} does not pass: {counted(report.count, 'fault')}")
