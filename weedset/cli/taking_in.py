"""The verbs that take in what people already have: tables, folders, COCO, polygons."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

import typer

from weedset.cli.door import JsonOption, WorkspaceOption, emit
from weedset.cli.options import (
    AnnotatorOption,
    LeastShareOption,
    LookedForOption,
    SpeciesOption,
    checklist_of,
    day_of,
    licence_of,
    require_site,
    tell_longer,
    tell_overruled,
    tell_unlisted,
)
from weedset.errors import LabelError, WeedsetError
from weedset.importers.coco import read_coco
from weedset.importers.folders import class_pictures, loose_pictures, take_in
from weedset.importers.masks import LEAST_SHARE
from weedset.importers.names import settle_names
from weedset.importers.outlines import (
    MarkedPhoto,
    MarkRule,
    mark_statements,
    name_counts,
    replace_plants,
    require_size,
)
from weedset.importers.polygons import read_mapping, read_polygons
from weedset.importers.table import table_statements
from weedset.labelling import UNNAMED
from weedset.records import Batch, Photo
from weedset.settings import Workspace, open_workspace
from weedset.store import open_store
from weedset.talk import complain, counted, follow, say
from weedset.taxonomy import SpeciesList, load_species

NamesOption = Annotated[
    Path | None,
    typer.Option(
        help="CSV with columns name and code: what the source's names mean. Names that are not "
        "known are listed there to be filled in; names.csv in the workspace if not set."
    ),
]
UnmarkedOption = Annotated[
    Literal["bare", "unsaid"],
    typer.Option(
        help="What ground without marks is: bare, where every plant was marked, or unsaid."
    ),
]


def add_import_verbs(app: typer.Typer) -> None:
    """Add the verbs to `app`, the group `import`."""
    app.command("csv")(import_csv)
    app.command("folders")(import_folders)
    app.command("coco")(import_coco)
    app.command("polygons")(import_polygons)


def import_csv(
    table: Annotated[Path, typer.Argument(help="CSV with columns photo, row, col, species.")],
    looked_for: LookedForOption,
    workspace: WorkspaceOption = Path(),
    annotator: AnnotatorOption = UNNAMED,
    own_species: SpeciesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take labels from a CSV table: one row per plant in a cell.

    Columns photo, row and col (from 0), species and, if wanted, stage (BBCH principal stage,
    0 to 9). The species is an EPPO code, or `bare`, `unknown` (a plant you cannot name),
    or `cannot tell`. Nothing is taken in where a single row is wrong.

    Example: `weedset import csv labels.csv --looked-for CHEAL,DAUCS -w garden`

    Example: `weedset import csv labels.csv --looked-for CHEAL --annotator anna -w garden`
    """
    known = load_species(own_species)
    checklist = checklist_of(looked_for, known)
    with open_store(open_workspace(workspace)) as store:
        statements = table_statements(table, store.photos(), known, annotator)
        batch_of = store.photos_of_batches()
        for batch_id in sorted({batch_of[digest] for (digest, _, _), _ in statements}):
            tell_longer(batch_id, store.set_checklist(batch_id, checklist))
        before = store.labelled_tiles()
        added = store.add_statements(statements)
        tell_overruled(before, store)
        tell_unlisted(
            store,
            {(batch_of[place[0]], code) for place, said in statements for code in said.present},
        )
    say(f"{counted(added, 'tile')} labelled; {len(statements) - added} said so already.")
    if as_json:
        emit({"tiles": added, "repeated": len(statements) - added})


def import_coco(
    file: Annotated[Path, typer.Argument(help="The COCO file (JSON).")],
    looked_for: LookedForOption,
    unmarked: UnmarkedOption,
    workspace: WorkspaceOption = Path(),
    names: NamesOption = None,
    least_share: LeastShareOption = LEAST_SHARE,
    annotator: AnnotatorOption = UNNAMED,
    own_species: SpeciesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take labels from a COCO file: polygons, or boxes, over photos that are tiled already.

    Photos go by file name. A plant within polygons counts in a cell as in masks: present
    from 1 % of it (--least-share), doubtful below. A box counts in the cell of its middle;
    in the others that it touches the plant is doubtful.

    Example: `weedset import coco labels.json --looked-for CHEAL,DAUCS --unmarked bare`

    Example: `weedset import coco boxes.json --looked-for CHEAL --unmarked unsaid -w garden`
    """
    known = load_species(own_species)
    rule = MarkRule(unmarked, least_share)
    room = open_workspace(workspace)
    checklist = checklist_of(looked_for, known)
    _take_marks(room, read_coco(file), rule, checklist, known, names, annotator, as_json)


def import_polygons(
    source: Annotated[Path, typer.Argument(help="A JSON or YAML file, or a folder of them.")],
    mapping: Annotated[Path, typer.Option(help="Where to look in the files (TOML).")],
    looked_for: LookedForOption,
    unmarked: UnmarkedOption,
    workspace: WorkspaceOption = Path(),
    names: NamesOption = None,
    least_share: LeastShareOption = LEAST_SHARE,
    annotator: AnnotatorOption = UNNAMED,
    own_species: SpeciesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take labels from polygons in JSON or YAML, a file for each photo.

    The mapping says where things are, by dotted paths: marks (the list), label, points (or
    x and y), and photo, where the file's own name is not that of its photo.

    Example: `weedset import polygons marks/ --mapping map.toml --looked-for CHEAL
    --unmarked bare`

    Example: `weedset import polygons one.yaml --mapping map.toml --looked-for CHEAL
    --unmarked unsaid -w garden`
    """
    known = load_species(own_species)
    rule = MarkRule(unmarked, least_share)
    room = open_workspace(workspace)
    marked = read_polygons(source, read_mapping(mapping))
    _take_marks(
        room, marked, rule, checklist_of(looked_for, known), known, names, annotator, as_json
    )


def _take_marks(
    room: Workspace,
    marked: Mapping[str, MarkedPhoto],
    rule: MarkRule,
    checklist: tuple[str, ...],
    known: SpeciesList,
    names: Path | None,
    annotator: str,
    as_json: bool,
) -> None:
    meanings = settle_names(name_counts(marked), known, names or room.root / "names.csv")
    counts: Counter[str] = Counter()
    seen: set[tuple[str, str]] = set()
    with open_store(room) as store:
        batch_of = store.photos_of_batches()
        found = _photos_by_name(store.photos())
        if not found.keys() & marked.keys():
            what = "none of the photos that are marked is in this workspace"
            raise LabelError(what, where=str(room.root), fix="tile them first")
        before = store.labelled_tiles()
        for name in follow(marked, len(marked), "reading marks"):
            photos = found.get(name, [])
            if len(photos) != 1:
                counts["absent"] += 1
                continue
            try:
                require_size(marked[name], photos[0])
                marks = replace_plants(marked[name], meanings)
                statements = list(mark_statements(marks, photos[0], rule, annotator))
                batch_id = batch_of[photos[0].digest]
                tell_longer(batch_id, store.set_checklist(batch_id, checklist))
                counts["tiles"] += store.add_statements(statements)
                seen |= {(batch_id, code) for _, said in statements for code in said.present}
                counts["photos"] += 1
            except WeedsetError as error:
                counts["bad"] += 1
                complain(error)
        tell_overruled(before, store)
        tell_unlisted(store, seen)
    say(
        f"{counted(counts['tiles'], 'tile')} labelled on {counted(counts['photos'], 'photo')}; "
        f"{counts['bad']} could not be used; {counts['absent']} not in this workspace, or there "
        "twice."
    )
    if as_json:
        emit({name: counts[name] for name in ("tiles", "photos", "absent", "bad")})
    if counts["bad"]:
        raise typer.Exit(1)


def _photos_by_name(photos: list[Photo]) -> dict[str, list[Photo]]:
    """Return the photos by file name, and by its stem where that is something else."""
    found: dict[str, list[Photo]] = {}
    for photo in photos:
        for name in {photo.name, Path(photo.name).stem}:
            found.setdefault(name, []).append(photo)
    return found


def import_folders(
    root: Annotated[Path, typer.Argument(help="Folder with a folder of pictures per class.")],
    site: Annotated[str, typer.Option(help="The garden or field that they are from.")],
    on: Annotated[str, typer.Option(help="The day they were taken on, such as 2026-05-04.")],
    giver: Annotated[str, typer.Option(help="Who gives the pictures; a handle will do.")],
    licence: Annotated[str, typer.Option(help="SPDX id; `weedset licences` explains each.")],
    looked_for: LookedForOption,
    workspace: WorkspaceOption = Path(),
    names: NamesOption = None,
    annotator: AnnotatorOption = UNNAMED,
    own_species: SpeciesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take in pictures that lie in a folder per class.

    Their ground scale is unknown, so they are not tiles: they are kept apart, and travel
    so marked. A folder named ground holds bare ground, one named unknown plants without a
    name.

    Example: `weedset import folders pictures/ --site long-acre --on 2026-05-04 --giver anna
    --licence CC0-1.0 --looked-for CHEAL,DAUCS`

    Example: `weedset import folders pictures/ --site long-acre --on 2026-05-04 --giver anna
    --licence CC-BY-4.0 --looked-for CHEAL --names names.csv -w garden`
    """
    known = load_species(own_species)
    room = open_workspace(workspace)
    checklist = checklist_of(looked_for, known)
    with open_store(room) as store:
        require_site(site, store.batches())
    day = day_of(on)
    terms = licence_of(licence)
    classes = class_pictures(root)
    counts = {name: len(paths) for name, paths in classes.items()}
    meanings = settle_names(counts, known, names or room.root / "names.csv")
    names_of: dict[str, set[str]] = {}
    bad = 0
    pictures = [(name, path) for name, paths in classes.items() for path in paths]
    for name, path in follow(pictures, len(pictures), "taking in"):
        try:
            names_of.setdefault(take_in(path, room), set()).add(name)
        except WeedsetError as error:
            bad += 1
            complain(error)
    batch = Batch(f"{site} {day}", site, day, giver, terms, checklist)
    with open_store(room) as store:
        added = store.add_loose(batch, list(loose_pictures(names_of, meanings, annotator)))
    say(
        f"{counted(added, 'picture')} of unknown scale kept apart; {len(names_of) - added} "
        f"were there already; {bad} could not be read."
    )
    if as_json:
        emit({"pictures": added, "repeated": len(names_of) - added, "bad": bad})
    if bad:
        raise typer.Exit(1)
