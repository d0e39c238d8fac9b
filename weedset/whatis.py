"""What a file or a folder is to weedset, and which command comes next."""

from __future__ import annotations

import shlex
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from weedset.board.model import open_model
from weedset.cardwords import treats_none, why_nothing
from weedset.contribution.giving import giving_path
from weedset.contribution.layout import BATCH
from weedset.errors import SettingsError, WeedsetError
from weedset.fields import parse_json, read_text, read_toml
from weedset.firststeps import MARKERS, Step, short, to_first_tiles
from weedset.photofiles import PHOTO_SUFFIXES
from weedset.pool.editions import editions
from weedset.pool.journal import read_journal
from weedset.pool.layout import MANIFEST, open_pool
from weedset.pool.look import OWN_SPECIES, Looked, shown_in
from weedset.pool.standing import State, standings
from weedset.profile import read_camera_profile
from weedset.records import ANY_PLANT, Batch
from weedset.settings import SETTINGS_NAME, open_workspace
from weedset.splits import LEAST_SITES
from weedset.store import open_store
from weedset.surroundings import Holding, packed_near, plain_folder, see_more
from weedset.talk import counted

#: A pretrained net begins to learn from about so many cells (README, "Models").
_ENOUGH_TO_TRAIN = 200


def what_is(path: Path) -> Holding:
    """Return what a file or folder is. Raises SettingsError where there is none.

    Raises what its reader raises where it is one of weedset's, but damaged.
    """
    if path.is_dir():
        for marker, kind in MARKERS.items():
            if (path / marker).is_file():
                return _READERS[kind](path)
        return _folder(path)
    if not path.exists():
        raise SettingsError("there is no such file or folder", where=str(path))
    return _file(path)


def _folder(path: Path) -> Holding:
    """Describe a folder that is nothing by itself; a workspace alone in it, at once and whole."""
    holding = plain_folder(path)
    if (alone := holding.alone) is None:
        return holding
    try:
        inside = _workspace(alone)
    except WeedsetError:
        return holding  # what else lies here is still true; `weedset status` there says more
    words = list(holding.words)
    at = words.index(f"{alone.name}: {inside.kind}") + 1
    words[at:at] = [f"  {line}" for line in inside.words]
    before = [step for step in holding.steps if step.command != see_more(alone)]
    facts = {**holding.facts, "workspace": {"path": str(alone), **inside.facts}}
    return replace(holding, words=tuple(words), steps=(*before, *inside.steps), facts=facts)


def _file(path: Path) -> Holding:
    name = shlex.quote(str(path))
    if path.suffix.lower() in PHOTO_SUFFIXES:
        step = Step("see what it tells of its scale", f"weedset camera explain {name}")
        return Holding("photo", (path.name,), (step,))
    if path.suffix.lower() == ".toml":
        if path.name == SETTINGS_NAME:
            return replace(_workspace(path.parent), kind="settings of a workspace")
        return _toml(path)
    if zipfile.is_zipfile(path):
        return _archive(path)
    if path.suffix.lower() == ".onnx":
        return _model(path)
    fix = "name a photo, a TOML file, a model (.onnx), a contribution (.zip) or a folder"
    raise SettingsError("is nothing that weedset knows", where=str(path), fix=fix)


def _toml(path: Path) -> Holding:
    name, fields = shlex.quote(str(path)), read_toml(path, SettingsError)
    if "remove" in fields:
        decide = "weedset classify photos/ --model MODEL.onnx --camera CAMERA.toml"
        words = (f"removes {', '.join(fields.texts('remove')) or 'nothing'}; protects all else",)
        return Holding("policy", words, (Step("decide by it", f"{decide} --policy {name}"),))
    if "backbone" in fields:
        train = f"weedset train {name} -w WORKSPACE --out RUN"
        return Holding("recipe", (fields.text("name"),), (Step("train by it", train),))
    profile = read_camera_profile(path)
    known = "a scale" if profile.lens is None else "a lens"
    height = "" if profile.height_mm is None else f", {profile.height_mm:g} mm above the soil"
    steps = (
        Step("cut photos of this camera", f"weedset tile photos/ --camera {name} --site SITE"),
        Step("see what it will show at which height", f"weedset plan --camera {name}"),
    )
    words = (f"{profile.name}: states {known}{height}",)
    return Holding("camera profile", words, steps[: 1 if profile.height_mm is None else 2])


def _archive(path: Path) -> Holding:
    with zipfile.ZipFile(path) as archive:
        inside = [name.partition("/")[2] for name in archive.namelist()]
    if BATCH not in inside:
        fix = "unpack it, and look at what was in it"
        raise SettingsError("is a zip archive, but no contribution", where=str(path), fix=fix)
    tiles = sum(name.startswith("data/tiles/") for name in inside)
    name = shlex.quote(str(path))
    steps = (
        Step("see whether it is in order", f"weedset check {name}"),
        Step("hand it over", f"weedset submit {name} --to FOLDER"),
        Step("or take it into a pool", f"weedset pool add POOL {name} --who YOU"),
    )
    words = (f"{counted(tiles, 'tile')}, not checked yet",)
    return Holding("contribution", words, steps, {"tiles": tiles})


def _model(path: Path) -> Holding:
    card, name = open_model(path).card, shlex.quote(str(path))
    named = ", ".join(code for code in card.codes if code != ANY_PLANT) or "nothing by name"
    words = [f"{card.name}, made on {card.made_on}; tells {named}"]
    read = Step("read what it is, and how far to trust it", f"weedset card {name}")
    facts: dict[str, object] = {"name": card.name, "species": list(card.codes)}
    if treats_none(card):
        words.append(f"treats nothing: {why_nothing(card)}")
        show = f"weedset classify photos/ --model {name} --camera CAMERA.toml"
        find = Step("see what it finds, without treating", show)
        return Holding("model file", tuple(words), (read, find), {**facts, "treats": []})
    steps = (
        Step(
            "decide on photos",
            f"weedset classify photos/ --model {name} --camera CAMERA.toml --policy POLICY.toml",
        ),
        Step("judge it by labels", f"weedset evaluate --model {name} -w WORKSPACE"),
        read,
    )
    return Holding("model file", tuple(words), steps, facts)


def _workspace(path: Path) -> Holding:
    room, name = open_workspace(path), shlex.quote(str(path))
    with open_store(room) as store:
        counts = store.counts()
        labelled = store.labelled_tiles()
        batches = store.batches()
    present = Counter(code for item in labelled for code in item.statement.present)
    facts: dict[str, object] = {**counts, "species": dict(sorted(present.items()))}
    facts["each_batch"] = [asdict(batch) for batch in batches]
    some = {kind: count for kind, count in counts.items() if count or kind != "loose"}
    words = [", ".join(counted_as(kind, count) for kind, count in some.items())]
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


def _pool(path: Path) -> Holding:
    entries, name = read_journal(open_pool(path)), shlex.quote(str(path))
    items = list(standings(entries).values())
    states = Counter(item.state for item in items)
    frozen = editions(entries)
    in_words = ", ".join(f"{states[state]} {state}" for state in State if states[state])
    words = (f"contributions: {in_words or 'none yet'}", f"editions: {len(frozen)}")
    steps = []
    if not states:
        steps.append(Step("take in a contribution", f"weedset pool add {name} GIVEN.zip --who YOU"))
    if waiting := [item for item in items if item.state is State.WAITING]:
        if len(waiting) > 1:
            steps.append(Step("list those that wait", f"weedset pool review {name}"))
        alike = [item for item in items if item.batch == waiting[0].batch]
        one = f"{name} {waiting[0].batch if len(alike) == 1 else waiting[0].digest[:12]}"
        steps.append(Step("look at one that waits", f"weedset pool look {one} --to LOOK"))
        accept = f"weedset pool accept {one} --who YOU"
        steps.append(Step("then accept it, if it is good (or `refuse` it)", accept))
    if states[State.ACCEPTED]:
        steps.append(Step("see what is missing", f"weedset pool coverage {name}"))
        steps.append(Step("freeze an edition", f"weedset pool freeze {name} --who YOU"))
    counts = {str(state): states[state] for state in State}
    return Holding("pool", words, tuple(steps), {**counts, "editions": len(frozen)})


def _run(path: Path) -> Holding:
    name = shlex.quote(str(path))
    out = shlex.quote(f"{path.resolve().name}.onnx")
    export = f"weedset export {name} {_learned_from(path)} --out {out}"
    words = ("a trained model, not yet in the form for a board",)
    return Holding("run", words, (Step("make the model file", export),))


def _unfinished(path: Path) -> Holding:
    go_on = f"weedset train RECIPE.toml -w WORKSPACE --out {shlex.quote(str(path))}"
    words = ("a training that was stopped, or is still under way",)
    return Holding("unfinished run", words, (Step("go on, with the command that began it", go_on),))


def _learned_from(path: Path) -> str:
    """Return the option that names what a run was trained on."""
    try:
        card = read_text(path / "card.json", SettingsError)
        source = parse_json(card, str(path), SettingsError).text("edition")
    except WeedsetError:
        return "-w WORKSPACE"  # `weedset export` says what is wrong with the card
    return "-w WORKSPACE" if source.startswith("workspace ") else "--edition EDITION"


def _edition(path: Path) -> Holding:
    lines = (path / MANIFEST).read_text("utf-8", "replace").splitlines()
    number = path.resolve().name
    words = (f"edition {number}: {counted(len(lines), 'file')} under {MANIFEST}",)
    train = f"weedset train teacher --edition {shlex.quote(str(path))} --out RUN"
    steps = (
        Step("read what is in it", f"less {shlex.quote(str(path / 'README.md'))}"),
        Step("train a model on it", train),
    )
    return Holding("edition", words, steps)


def _release(path: Path) -> Holding:
    model, policy = (shlex.quote(str(path / name)) for name in ("model.onnx", "policy.toml"))
    decide = f"weedset classify photos/ --model {model} --camera CAMERA.toml --policy {policy}"
    steps = (
        Step("see whether it is whole", f"weedset released {shlex.quote(str(path))}"),
        Step("read what it is good for", f"less {shlex.quote(str(path / 'README.md'))}"),
        Step("decide on photos", decide),
    )
    return Holding("release", ("a model with all that is needed to trust and credit it",), steps)


#: Who reads each kind of folder.
_READERS: dict[str, Callable[[Path], Holding]] = {
    "workspace": _workspace,
    "pool": _pool,
    "edition": _edition,
    "release": _release,
    "run": _run,
    "unfinished run": _unfinished,
}


def counted_as(kind: str, count: object) -> str:
    """Return a count of the store with its name: plural as it comes, singular for one."""
    if count == 1:
        kind = {"batches": "batch", "photos": "photo", "tiles": "tile"}.get(kind, kind)
    return f"{count} {kind}"


def holding_record(path: Path, holding: Holding) -> dict[str, object]:
    """Return a holding for a program to read."""
    return {
        "path": str(path),
        "kind": holding.kind,
        **holding.facts,
        "next": [{"why": step.why, "command": step.command} for step in holding.steps],
    }
