"""A release: one folder with a model and all that is needed to trust, credit and rebuild it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from training.evaluation.evaluation_text import evaluation_record
from training.recipe import Recipe
from training.releasing.compare_text import comparison_record
from training.releasing.release_card import card_text, cautions_text, credits_text
from training.releasing.release_files import FACTS, MANIFEST, MODEL, RECIPE, RUN
from training.releasing.release_gate import Judged, judge_release
from training.runs import RUN_FILES
from training.sources import Source
from weedset import __version__
from weedset.board.decide import read_policy
from weedset.board.model import BoardModel, open_model
from weedset.digests import bytes_digest, file_digest, require_writable, whole_folder, write_whole
from weedset.errors import ModelError, PolicyError, ReleaseError


@dataclass(frozen=True, slots=True)
class Released:
    """A release on the disk: its folder, the SHA-256 of its manifest, and what was asked."""

    folder: Path
    digest: str
    judged: Judged


def release(
    model_path: Path,
    run_dir: Path,
    source: Source,
    policy_path: Path,
    out: Path,
    against: Path | None = None,
    first: bool = False,
    unseen: bool = False,
    idle: bool = False,
) -> Released:
    """Release a model, whole or not at all; the same inputs give the same bytes.

    The very release that is there already is left as it is: what was killed may be done again.

    Raises CheckNotPassedError, with every reason, where it may not be; ReleaseError where
    something else is at `out` already or it cannot be written, and as `judge_release` does.
    """
    _require_free(out, model_path)
    model = open_model(model_path, threads=2)
    old = None if against is None else open_model(against, threads=2)
    codes = [*model.card.codes, *(old.card.codes if old else ())]
    policy = read_policy(policy_path, codes)
    judged = judge_release(model, model_path, run_dir, source, policy, old, first, unseen, idle)
    files = _given(model_path, model, run_dir, policy_path)
    files |= _written(judged, recipe_toml(judged.run.recipe))
    files[MANIFEST] = manifest_text(files).encode()
    try:
        if not _holds(out, files):
            with whole_folder(out) as aside:
                for name, data in files.items():
                    write_whole(aside / name, data)
        return Released(out, file_digest(out / MANIFEST), judged)
    except FileExistsError as exc:
        raise _is_there(out) from exc
    except OSError as exc:
        raise ReleaseError(
            f"cannot be written ({exc.strerror or exc})",
            where=str(out),
            fix="make room on the disk or see to its permissions, then give the command again",
        ) from exc


def recipe_toml(recipe: Recipe) -> str:
    """Return a recipe as TOML that `read_recipe` reads as the same recipe."""
    # JSON's texts, numbers, lists and truths are TOML's too.
    fields = {name: value for name, value in asdict(recipe).items() if value is not None}
    lines = [f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in fields.items()]
    return "\n".join(lines) + "\n"


def manifest_text(files: Mapping[str, bytes]) -> str:
    """Return a manifest that `sha256sum -c` checks."""
    return "".join(f"{bytes_digest(files[name])}  {name}\n" for name in sorted(files))


def _given(
    model_path: Path, model: BoardModel, run_dir: Path, policy_path: Path
) -> dict[str, bytes]:
    """Return the files that go in as they are."""
    try:
        data = model_path.read_bytes()
        run = {f"{RUN}/{name}": (run_dir / name).read_bytes() for name in RUN_FILES}
    except OSError as exc:
        raise ModelError(f"cannot be read ({exc.strerror})", where=str(exc.filename)) from exc
    if bytes_digest(data) != model.digest:
        fix = "wait until nothing writes to it, and give the command again"
        raise ModelError("has changed while it was judged", where=str(model_path), fix=fix)
    try:
        policy = policy_path.read_bytes()
    except OSError as exc:
        raise PolicyError(f"cannot be read ({exc.strerror})", where=str(policy_path)) from exc
    return {MODEL: data, "policy.toml": policy, **run}


def _written(judged: Judged, recipe: str) -> dict[str, bytes]:
    """Return the files that tell of the model."""
    card = judged.model.card
    facts = {
        "model_sha256": judged.model.digest,
        "recipe_sha256": bytes_digest(recipe.encode()),
        "edition": card.edition,
        "edition_sha256": card.edition_digest,
    }
    comparison = judged.comparison
    record = {
        "record": "release",
        "name": card.name,
        "released_with": f"weedset {__version__}",
        **facts,
        "licence": judged.licence.id,
        "policy": judged.evaluation.policy,
        "held_out_by": card.split,
        "int8_agreement": asdict(judged.agreement),
        "against_sha256": None if comparison is None else comparison.old_digest,
    }
    texts = {
        "README.md": card_text(judged, facts),
        "CREDITS.md": credits_text(judged),
        "CAUTIONS.md": cautions_text(judged),
        RECIPE: recipe,
        "evaluation.json": _json(evaluation_record(judged.evaluation)),
        FACTS: _json(record),
    }
    if comparison is not None:
        texts["comparison.json"] = _json(comparison_record(comparison))
    return {name: text.encode() for name, text in texts.items()}


def _json(record: Mapping[str, object]) -> str:
    return json.dumps(record, ensure_ascii=False, indent=1) + "\n"


def _require_free(out: Path, model_path: Path) -> None:
    """Ask before anything is computed, so that nobody waits in vain."""
    try:
        taken = out.is_symlink() or (
            out.exists() and file_digest(out / MODEL) != file_digest(model_path)
        )
    except OSError:
        taken = True
    if taken:
        raise _is_there(out)
    if not out.exists():
        require_writable(out, ReleaseError)


def _holds(out: Path, files: Mapping[str, bytes]) -> bool:
    """Return whether a folder holds these very files."""
    try:
        return all((out / name).read_bytes() == data for name, data in files.items())
    except OSError:
        return False  # what else is there is told where it is written


def _is_there(out: Path) -> ReleaseError:
    fix = "name a folder that is not there: a release is never changed"
    return ReleaseError("is there already", where=str(out), fix=fix)
