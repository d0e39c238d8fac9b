"""What a file or a folder is to weedset, and which command comes next."""

from __future__ import annotations

import shlex
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from weedset.board.model import open_model
from weedset.contribution.giving import giving_path
from weedset.contribution.layout import BATCH
from weedset.errors import SettingsError
from weedset.fields import read_toml
from weedset.firststeps import MARKERS, Step, below, photos_near, profiles_in, to_first_tiles
from weedset.images import PHOTO_SUFFIXES
from weedset.pool.editions import editions
from weedset.pool.journal import read_journal
from weedset.pool.layout import MANIFEST, open_pool
from weedset.pool.standing import State, standings
from weedset.profile import read_camera_profile
from weedset.settings import SETTINGS_NAME, open_workspace
from weedset.store import open_store
from weedset.talk import counted

#: A pretrained net begins to learn from about so many cells (README, "Models").
_ENOUGH_TO_TRAIN = 200


@dataclass(frozen=True, slots=True)
class Holding:
    """What lies at a path: its kind, in words what is in it, and what comes next."""

    kind: str
    words: tuple[str, ...]
    steps: tuple[Step, ...]
    facts: dict[str, object] = field(default_factory=dict)


def what_is(path: Path) -> Holding:
    """Return what a file or folder is. Raises SettingsError where there is none.

    Raises what its reader raises where it is one of weedset's, but damaged.
    """
    if path.is_dir():
        for marker, kind in MARKERS.items():
            if (path / marker).is_file():
                return _READERS[kind](path)
        return _plain_folder(path)
    if not path.exists():
        raise SettingsError("there is no such file or folder", where=str(path))
    return _file(path)


def _file(path: Path) -> Holding:
    name = shlex.quote(str(path))
    if path.suffix.lower() in PHOTO_SUFFIXES:
        step = Step("see what it tells of its scale", f"weedset camera explain {name}")
        return Holding("photo", (path.name,), (step,))
    if path.suffix.lower() == ".toml":
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
    steps = (
        Step(
            "decide on photos",
            f"weedset classify photos/ --model {name} --camera CAMERA.toml --policy POLICY.toml",
        ),
        Step("judge it by labels", f"weedset evaluate --model {name} -w WORKSPACE"),
        Step("read where it comes from", f"weedset card {name}"),
    )
    names = ", ".join(card.codes)
    words = (f"{card.name}, made on {card.made_on}; tells {names}",)
    return Holding("model file", words, steps, {"name": card.name, "species": list(card.codes)})


def _workspace(path: Path) -> Holding:
    room, name = open_workspace(path), shlex.quote(str(path))
    with open_store(room) as store:
        counts = store.counts()
        labelled = store.labelled_tiles()
        batches = store.batches()
    present = Counter(code for item in labelled for code in item.statement.present)
    facts: dict[str, object] = {**counts, "species": dict(sorted(present.items()))}
    facts["each_batch"] = [asdict(batch) for batch in batches]
    words = [", ".join(counted_as(kind, count) for kind, count in counts.items())]
    for batch in batches:
        looked_for = ", ".join(batch.looked_for) or "no checklist yet"
        words.append(f"batch {batch.id}: looked for {looked_for}; {batch.licence or 'no licence'}")
    steps: list[Step] = []
    if not counts["tiles"]:
        steps += to_first_tiles(path)
    elif open_cells := counts["tiles"] - counts["labelled"]:
        cells = f"{counted(open_cells, 'cell')} of {counts['tiles']} without a label"
        steps.append(Step(f"label: {cells}", f"weedset label -w {name}"))
    if counts["labelled"] >= _ENOUGH_TO_TRAIN:
        train = f"weedset train configs/teacher.toml -w {name} --out RUN"
        steps.append(Step("train a model", train))
    with_labels = dict.fromkeys(item.batch_id for item in labelled)
    for batch_id in list(with_labels)[:3]:
        named = f"{shlex.quote(batch_id)} -w {name}"
        if giving_path(path, batch_id).is_file():
            out = shlex.quote(f"{batch_id.replace(' ', '-')}.zip")
            pack = f"weedset pack {named} --out {out} --preview"
            steps.append(Step("see what giving it to others would show", pack))
        else:
            give = f"weedset describe {named} --help"
            steps.append(Step("say who gives it, if you want to give it to others", give))
    return Holding("workspace", tuple(words), tuple(steps), facts)


def _pool(path: Path) -> Holding:
    entries, name = read_journal(open_pool(path)), shlex.quote(str(path))
    states = Counter(item.state for item in standings(entries).values())
    frozen = editions(entries)
    in_words = ", ".join(f"{states[state]} {state}" for state in State if states[state])
    words = (f"contributions: {in_words or 'none yet'}", f"editions: {len(frozen)}")
    steps = []
    if not states:
        steps.append(Step("take in a contribution", f"weedset pool add {name} GIVEN.zip --who YOU"))
    if states[State.WAITING]:
        steps.append(Step("look at those that wait", f"weedset pool review {name}"))
    if states[State.ACCEPTED]:
        steps.append(Step("see what is missing", f"weedset pool coverage {name}"))
        steps.append(Step("freeze an edition", f"weedset pool freeze {name} --who YOU"))
    counts = {str(state): states[state] for state in State}
    return Holding("pool", words, tuple(steps), {**counts, "editions": len(frozen)})


def _run(path: Path) -> Holding:
    name = shlex.quote(str(path))
    out = shlex.quote(f"{path.resolve().name}.onnx")
    export = f"weedset export {name} -w WORKSPACE --out {out}"
    words = ("a trained model, not yet in the form for a board",)
    return Holding("run", words, (Step("make the model file", export),))


def _edition(path: Path) -> Holding:
    lines = (path / MANIFEST).read_text("utf-8", "replace").splitlines()
    number = path.resolve().name
    words = (f"edition {number}: {counted(len(lines), 'file')} under {MANIFEST}",)
    train = f"weedset train configs/teacher.toml --edition {shlex.quote(str(path))} --out RUN"
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
}


def _plain_folder(path: Path) -> Holding:
    """Describe a folder that is nothing by itself: where a newcomer stands."""
    marked = [
        (item, marker)
        for item in below(path)
        if item.is_dir()
        for marker in MARKERS
        if (item / marker).is_file()
    ]
    photos, profiles = photos_near(path), list(profiles_in(path))
    words = [f"{item.name}: {MARKERS[marker]}" for item, marker in marked]
    words += [f"{profile.name}: camera profile" for profile in profiles]
    for folder, names in photos.items():
        words.append(f"{folder}: {counted(len(names), 'photo')}")
    steps = [
        Step(f"see more of {item.name}", f"weedset status {shlex.quote(str(item))}")
        for item, _ in marked[:3]
    ]
    if not any(marker == SETTINGS_NAME for _, marker in marked):
        steps += to_first_tiles(path)
    facts: dict[str, object] = {"photos": sum(map(len, photos.values()))}
    return Holding("folder", tuple(words or ["nothing that weedset knows"]), tuple(steps), facts)


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
