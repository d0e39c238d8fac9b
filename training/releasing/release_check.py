"""Whether a release is whole: every file as it was, and all of it about the same model."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from training.releasing.release_files import FACTS, MANIFEST, MODEL, RECIPE, RUN, require_same
from weedset.board.model import open_model
from weedset.digests import file_digest
from weedset.errors import CheckNotPassedError, ModelError, ReleaseError
from weedset.fields import parse_json, read_text
from weedset.modelcard import ModelCard, card_from_json

_LINE = re.compile(r"([0-9a-f]{64})  (\S+)")


@dataclass(frozen=True, slots=True)
class Whole:
    """A release that is whole: its card, its files, and the SHA-256 of its manifest."""

    card: ModelCard
    files: tuple[str, ...]
    digest: str


def check_release(folder: Path) -> Whole:
    """Check a release from anyone; needs nothing of what training needs.

    Raises ReleaseError where the folder is none, CheckNotPassedError for what is damaged,
    missing or added, and where its parts speak of different models.
    """
    manifest = folder / MANIFEST
    if not manifest.is_file() or manifest.is_symlink():
        why = f"is no release (it has no {MANIFEST})" if folder.is_dir() else "is no folder"
        fix = "name the folder that was the --out of `weedset release`"
        raise ReleaseError(why, where=str(folder), fix=fix)
    stated = _stated(manifest)
    there = _there(folder)
    wrong = [f"{name} is missing" for name in sorted(stated.keys() - there)]
    wrong += [f"{name} is not in the manifest" for name in sorted(there - stated.keys())]
    try:
        wrong += [
            f"{name} is not what it was"
            for name in sorted(stated.keys() & there)
            if file_digest(folder / name) != stated[name]
        ]
    except OSError as exc:
        raise ReleaseError(f"cannot be read ({exc.strerror})", where=str(exc.filename)) from exc
    if wrong:
        raise _refused("; ".join(wrong[:10]), folder)
    return Whole(_same_model(folder, stated), tuple(sorted(stated)), file_digest(manifest))


def _stated(manifest: Path) -> dict[str, str]:
    """Return the digests that a manifest states, by name."""
    stated: dict[str, str] = {}
    for number, line in enumerate(read_text(manifest, ReleaseError).splitlines(), start=1):
        found = _LINE.fullmatch(line)
        parts = PurePosixPath(found[2]).parts if found else ("/",)
        if not found or "\\" in line or parts[0] == "/" or ".." in parts or found[2] in stated:
            what = f"line {number} is no digest and name of a file in the folder, each once"
            raise CheckNotPassedError(what, where=str(manifest), fix="ask for the release again")
        stated[found[2]] = found[1]
    return stated


def _there(folder: Path) -> set[str]:
    """Return the files of a folder by name. Raises CheckNotPassedError for links and the like."""
    names = set()
    for path in folder.rglob("*"):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink() or not (path.is_file() or path.is_dir()):
            raise _refused(f"{name[:200]} is no plain file", folder)
        if path.is_file() and name != MANIFEST:
            names.add(name)
    return names


def _same_model(folder: Path, stated: dict[str, str]) -> ModelCard:
    """Return the card of the model, once all files are known to speak of it."""
    model = open_model(folder / MODEL)
    facts = parse_json(read_text(folder / FACTS, ReleaseError), FACTS, ReleaseError)
    for name, digest in (
        ("model_sha256", model.digest),
        ("recipe_sha256", stated.get(RECIPE, "")),
        ("edition_sha256", model.card.edition_digest),
    ):
        if facts.text(name) != digest:
            raise _refused(f"{name} in {FACTS} is not that of the files", folder)
    card = folder / RUN / "card.json"
    try:
        require_same(model.card, card_from_json(read_text(card, ReleaseError), str(card)))
    except ModelError as error:
        raise _refused(str(error), folder) from error
    return model.card


def _refused(what: str, folder: Path) -> CheckNotPassedError:
    return CheckNotPassedError(what, where=str(folder), fix="ask for the release again")
