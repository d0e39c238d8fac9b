"""The verb that takes labels from masks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from weedset.cli.door import JsonOption, WorkspaceOption, emit, usage_error
from weedset.cli.options import (
    AnnotatorOption,
    LeastShareOption,
    LookedForOption,
    SpeciesOption,
    checklist_of,
    chosen_batches,
    day_of,
    tell_longer,
    tell_overruled,
    tell_unlisted,
)
from weedset.errors import WeedsetError
from weedset.importers.masks import (
    LEAST_SHARE,
    MaskRule,
    mask_statements,
    match_masks,
    read_colours,
    read_meanings,
)
from weedset.labelling import UNNAMED
from weedset.settings import open_workspace
from weedset.store import open_store
from weedset.talk import complain, counted, follow, say
from weedset.taxonomy import load_species


def import_masks(
    masks: Annotated[Path, typer.Argument(help="Folder of masks, NAME_mask.png or NAME.png.")],
    looked_for: LookedForOption,
    value: Annotated[
        list[str] | None,
        typer.Option(help="What a value means: 0=ground, 1=CHEAL, 2=unknown. Give one per value."),
    ] = None,
    colour: Annotated[
        list[str] | None,
        typer.Option(help="What a colour means, instead: 000000=ground, 00ff00=CHEAL."),
    ] = None,
    workspace: WorkspaceOption = Path(),
    site: Annotated[str | None, typer.Option(help="Only the photos of this site.")] = None,
    on: Annotated[str | None, typer.Option(help="Only the photos of this day.")] = None,
    least_share: LeastShareOption = LEAST_SHARE,
    annotator: AnnotatorOption = UNNAMED,
    own_species: SpeciesOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take labels from masks: a picture per photo with a value for each pixel.

    A plant is present in a cell where it covers at least 1 % of it (--least-share); where
    it covers less, its presence is doubtful and counts neither way.

    Example: `weedset import masks masks/ --value 0=ground --value 1=CHEAL --looked-for CHEAL`

    Example: `weedset import masks masks/ --colour 000000=ground --colour 00ff00=CHEAL
    --looked-for CHEAL`
    """
    known = load_species(own_species)
    if bool(value) == bool(colour):
        usage_error("give --value for each value of the masks, or --colour for each colour")
    meanings = read_colours(colour, known) if colour else read_meanings(value or [], known)
    rule = MaskRule(meanings, least_share, by_colour=bool(colour))
    checklist = checklist_of(looked_for, known)
    labelled = repeated = bad = 0
    seen: set[tuple[str, str]] = set()
    with open_store(open_workspace(workspace)) as store:
        batches = chosen_batches(store, site, day_of(on) if on else None)
        ids = store.photos_of_batches()
        photos = [photo for photo in store.photos() if ids[photo.digest] in batches]
        batch_of = {photo.digest: batches[ids[photo.digest]] for photo in photos}
        matched = match_masks(masks, photos, batch_of)
        before = store.labelled_tiles()
        for mask, photo in follow(matched.pairs, len(matched.pairs), "reading masks"):
            try:
                statements = list(mask_statements(mask, photo, rule, annotator))
                tell_longer(ids[photo.digest], store.set_checklist(ids[photo.digest], checklist))
                added = store.add_statements(statements)
                seen |= {
                    (ids[photo.digest], code) for _, said in statements for code in said.present
                }
                labelled += added
                repeated += len(statements) - added
            except WeedsetError as error:
                bad += 1
                complain(error)
        tell_overruled(before, store)
        tell_unlisted(store, seen)
    _tell_left_over("photo", matched.without_mask, "no mask here; --site leaves other gardens out")
    _tell_left_over("mask", matched.without_photo, "no photo here, or none that was chosen")
    masks_read = counted(len(matched.pairs) - bad, "mask")
    say(
        f"{counted(labelled, 'tile')} labelled from {masks_read}; {repeated} said so already; "
        f"{bad} could not be used."
    )
    if as_json:
        emit({"tiles": labelled, "repeated": repeated, "masks": len(matched.pairs), "bad": bad})
    if bad:
        raise typer.Exit(1)


def _tell_left_over(noun: str, names: Sequence[str], lacks: str) -> None:
    if names:
        shown = ", ".join(names[:3]) + (", ..." if len(names) > 3 else "")
        say(f"{counted(len(names), noun)} ({shown}) left out: {lacks}.")
