"""What a workspace holds, and which command comes next."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

from weedset.contribution.giving import giving_path
from weedset.errors import SettingsError, WeedsetError
from weedset.fields import read_toml
from weedset.firststeps import Step, short, to_first_tiles
from weedset.pool.look import OWN_SPECIES, Looked, shown_in
from weedset.records import Batch
from weedset.settings import open_workspace
from weedset.splits import LEAST_SITES
from weedset.store import open_store
from weedset.surroundings import Holding, packed_near
from weedset.talk import counted

#: A pretrained net begins to learn from about so many cells (README, "Models").
_ENOUGH_TO_TRAIN = 200


def workspace_holding(path: Path) -> Holding:
    """Return what a workspace holds. Raises what its reader raises where it is damaged."""
    room, name = open_workspace(path), shlex.quote(str(path))
    with open_store(room) as store:
        counts = store.counts()
        labelled = store.labelled_tiles()
        batches = store.batches()
    present = Counter(code for item in labelled for code in item.statement.present)
    facts: dict[str, object] = {**counts, "species": dict(sorted(present.items()))}
    facts["each_batch"] = [asdict(batch) for batch in batches]
    some = {kind: count for kind, count in counts.items() if count or kind != "loose"}
    words = [", ".join(_counted_as(kind, count) for kind, count in some.items())]
    words += _batches_in_words(batches)
    if looked := shown_in(path):
        again = _second_look(path, looked) if counts["labelled"] else ()
        return Holding("workspace", tuple(words), tuple(again), facts)
    steps: list[Step] = []
    if not counts["tiles"]:
        steps += to_first_tiles(path)
    elif open_cells := counts["tiles"] - counts["labelled"]:
        cells = f"{counted(open_cells, 'cell')} of {counts['tiles']} without a label"
        steps.append(Step(f"label: {cells}", f"weedset label -w {name}"))
    sites = {item.site for item in labelled}
    photos = {item.tile.photo_digest for item in labelled}
    # Of fewer sites the split is by photo, which takes as many.
    if counts["labelled"] >= _ENOUGH_TO_TRAIN and len(photos) >= LEAST_SITES:
        few = f" (of fewer than {LEAST_SITES} sites: its scores will flatter it)"
        train = f"weedset train teacher -w {name} --out RUN"
        steps.append(Step(f"train a model{few if len(sites) < LEAST_SITES else ''}", train))
    with_labels = dict.fromkeys(item.batch_id for item in labelled)
    for batch in [batch for batch in batches if batch.id in with_labels][:3]:
        steps += _to_give(path, batch)
    return Holding("workspace", tuple(words), tuple(steps), facts)


def _batches_in_words(batches: Sequence[Batch]) -> Iterator[str]:
    """Yield a line for each batch; what is as in the line above is not said again."""
    before = ""
    for batch in batches:
        looked_for = f"looked for {', '.join(batch.looked_for)}"
        checklist = looked_for if batch.looked_for else "no checklist yet"
        said = f"{checklist}; {batch.licence or 'no licence'}"
        yield f"batch {batch.id}: {'the same' if said == before else said}"
        before = said


def _second_look(path: Path, looked: Looked) -> Iterator[Step]:
    """Yield how to look again at a contribution of a pool, and to take over what was decided."""
    pool = short(looked.pool) if looked.pool.is_dir() else "POOL"
    one, room = looked.digest[:12], shlex.quote(str(path))
    doubts = f"weedset doubts --pool {pool} --only {one} --to DOUBTS.jsonl"
    yield Step("list labels of it that may be wrong", doubts)
    own = path / OWN_SPECIES
    species = f" --species {shlex.quote(str(own))}" if own.exists() else ""
    yield Step("look at these again", f"weedset label -w {room}{species} --review DOUBTS.jsonl")
    take_over = f"weedset pool correct {pool} {one} --from {room} --who YOU"
    yield Step("take over into the pool what you decided", take_over)


def _to_give(path: Path, batch: Batch) -> Iterator[Step]:
    """Yield what is left to do to give a labelled batch of a workspace to others."""
    named = f"{shlex.quote(batch.id)} -w {shlex.quote(str(path))}"
    giving = giving_path(path, batch.id)
    if not giving.is_file():
        give = f"weedset describe {named} --help"
        yield Step("say who gives it, if you want to give it to others", give)
        return
    try:
        site = read_toml(giving, SettingsError).text("site")
        packed = next(packed_near(path, f"{site}-{batch.taken_on}"), None)
    except WeedsetError:
        packed = None  # `weedset pack` says what is wrong with the giver's file
    if packed is not None:
        archive = shlex.quote(str(packed))
        check = f"weedset check {archive}"
        yield Step(f"see whether what was packed of {batch.id} is in order", check)
        hand = f"weedset submit {archive} --to FOLDER"
        yield Step("then hand it over (if labels changed since, pack it anew)", hand)
        return
    out = shlex.quote(f"{batch.id.replace(' ', '-')}.zip")
    pack = f"weedset pack {named} --out {out} --preview"
    yield Step("see what giving it to others would show", pack)


def _counted_as(kind: str, count: object) -> str:
    """Return a count of the store with its name: plural as it comes, singular for one."""
    if count == 1:
        kind = {"batches": "batch", "photos": "photo", "tiles": "tile"}.get(kind, kind)
    return f"{count} {kind}"
