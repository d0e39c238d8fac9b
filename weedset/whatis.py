"""What a file or a folder is to weedset, and which command comes next."""

from __future__ import annotations

import shlex
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from weedset.board.model import open_model
from weedset.cardwords import treats_none, why_nothing
from weedset.contribution.layout import BATCH
from weedset.errors import SettingsError, WeedsetError
from weedset.fields import parse_json, read_text, read_toml
from weedset.firststeps import MARKERS, Step
from weedset.photofiles import PHOTO_SUFFIXES
from weedset.pool.editions import editions
from weedset.pool.journal import read_journal
from weedset.pool.layout import MANIFEST, open_pool
from weedset.pool.standing import State, standings
from weedset.profile import read_camera_profile
from weedset.records import ANY_PLANT
from weedset.settings import SETTINGS_NAME
from weedset.surroundings import Holding, plain_folder, see_more
from weedset.talk import counted
from weedset.whatworkspace import workspace_holding


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
        inside = workspace_holding(alone)
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
            return replace(workspace_holding(path.parent), kind="settings of a workspace")
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
    "workspace": workspace_holding,
    "pool": _pool,
    "edition": _edition,
    "release": _release,
    "run": _run,
    "unfinished run": _unfinished,
}


def holding_record(path: Path, holding: Holding) -> dict[str, object]:
    """Return a holding for a program to read."""
    return {
        "path": str(path),
        "kind": holding.kind,
        **holding.facts,
        "next": [{"why": step.why, "command": step.command} for step in holding.steps],
    }
