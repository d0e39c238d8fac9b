"""A release: refused for every reason that there is, and whole and the same when it is made."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from toy_garden import BAR, DISC, toy_recipe, with_card
from typer.testing import CliRunner

from training.evaluation.evaluate import evaluate
from training.evaluation.evaluation_text import evaluation_record
from training.evaluation.scores import ASPECTS
from training.export import Exported
from training.recipe import read_recipe
from training.releasing.compare import compare
from training.releasing.compare_text import comparison_record
from training.releasing.release import Released, recipe_toml, release
from training.releasing.release_check import check_release
from training.runs import load_model, read_run
from training.sources import from_workspace
from training.verbs import app
from weedset.board.decide import read_policy
from weedset.board.model import open_model
from weedset.digests import bytes_digest, file_digest
from weedset.errors import CheckNotPassedError, ModelError, PhotoError, ReleaseError
from weedset.modelcard import card_to_json
from weedset.settings import Workspace

Tamper = Callable[[Path], object]


@pytest.fixture(scope="module")
def policy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("policy") / "beds.toml"
    path.write_text(f'name = "beds"\nremove = ["{DISC}"]\n')
    return path


@pytest.fixture(scope="module")
def released(
    exported: Exported,
    run_dir: Path,
    garden: Workspace,
    worse: Path,
    policy: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> Released:
    out = tmp_path_factory.mktemp("releases") / "deep" / "beds-2"
    return release(exported.path, run_dir, from_workspace(garden), policy, out, against=worse)


def test_a_release_holds_all_that_is_needed(
    released: Released,
    exported: Exported,
    run_dir: Path,
    garden: Workspace,
    worse: Path,
    policy: Path,
) -> None:
    folder = released.folder
    assert file_digest(folder / "model.onnx") == file_digest(exported.path)
    for name in ("model.safetensors", "card.json", "run.json"):
        assert (folder / "run" / name).read_bytes() == (run_dir / name).read_bytes()
    run = read_run(folder / "run")
    load_model(folder / "run", run)
    assert read_recipe(folder / "recipe.toml") == run.recipe == toy_recipe()
    assert (folder / "policy.toml").read_bytes() == policy.read_bytes()
    model = open_model(folder / "model.onnx")
    rule = read_policy(folder / "policy.toml", model.card.codes)
    again = json.loads(
        json.dumps(evaluation_record(evaluate(model, from_workspace(garden), rule, by=ASPECTS)))
    )
    assert json.loads((folder / "evaluation.json").read_text()) == again
    facts = json.loads((folder / "release.json").read_text())
    assert facts["model_sha256"] == model.digest
    assert facts["recipe_sha256"] == file_digest(folder / "recipe.toml")
    assert facts["edition_sha256"] == model.card.edition_digest
    assert facts["licence"] == "CC-BY-4.0"
    compared = json.loads((folder / "comparison.json").read_text())
    alone = compare(model, open_model(worse), from_workspace(garden), rule)
    assert compared == json.loads(json.dumps(comparison_record(alone)))
    assert compared["old"] == "worse"
    assert compared["old_digest"] == facts["against_sha256"]
    for giver in model.card.givers:
        assert f"- {giver}" in (folder / "CREDITS.md").read_text()
    assert model.card.caution in (folder / "CAUTIONS.md").read_text()


def test_sha256sum_agrees(released: Released) -> None:
    """Reference: GNU coreutils."""
    done = subprocess.run(
        ["sha256sum", "--strict", "-c", "manifest-sha256.txt"],
        cwd=released.folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    inside = [path for path in released.folder.rglob("*") if path.is_file()]
    assert done.stdout.count(": OK") == len(inside) - 1
    assert not [path for path in released.folder.parent.iterdir() if path.name.startswith(".")]


def test_the_card_has_the_head_that_hubs_read(released: Released) -> None:
    """Fields of a Hugging Face model card (hub-docs, model cards; PyYAML reads the head)."""
    text = (released.folder / "README.md").read_text()
    start, head, body = text.split("---\n", 2)
    assert start == ""
    fields = yaml.safe_load(head)
    assert fields["license"] == "cc-by-4.0"  # hubs write it in lower case
    assert isinstance(fields["library_name"], str)
    assert isinstance(fields["pipeline_tag"], str)
    assert all(isinstance(tag, str) for tag in fields["tags"] + fields["metrics"])
    (index,) = fields["model-index"]
    (result,) = index["results"]
    assert result["task"]["type"] == fields["pipeline_tag"]
    assert {"type", "name"} <= result["dataset"].keys()
    scores = {metric["name"]: metric["value"] for metric in result["metrics"]}
    assert all(0 <= value <= 1 for value in scores.values())
    (disc,) = [s for s in released.judged.evaluation.species if s.code == DISC]
    assert disc.average_precision is not None
    assert scores[f"average precision, {DISC}"] == round(disc.average_precision, 4)
    assert fields["weedset"]["model_sha256"] == released.judged.model.digest
    assert "# toy" in body
    assert "not legal advice" in body
    assert "126 labelled cells" in body


def test_same_inputs_same_bytes(
    released: Released,
    exported: Exported,
    run_dir: Path,
    garden: Workspace,
    worse: Path,
    policy: Path,
    tmp_path: Path,
) -> None:
    again = release(
        exported.path, run_dir, from_workspace(garden), policy, tmp_path / "other", against=worse
    )
    assert again.digest == released.digest
    first = release(
        exported.path, run_dir, from_workspace(garden), policy, tmp_path / "first", first=True
    )
    assert not (first.folder / "comparison.json").exists()
    assert "first release" in (first.folder / "README.md").read_text()


def refused(*arguments: object, **options: object) -> str:
    with pytest.raises(CheckNotPassedError) as caught:
        release(*arguments, **options)  # type: ignore[arg-type]
    assert caught.value.exit_code == 3
    return caught.value.what


def test_what_speaks_against_a_release_is_said(
    exported: Exported,
    run_dir: Path,
    garden: Workspace,
    worse: Path,
    policy: Path,
    tmp_path: Path,
) -> None:
    out = tmp_path / "out"
    what = refused(exported.path, run_dir, from_workspace(garden), policy, out)
    assert "name that with --against, or say --first" in what
    # Worse than the one in use, and unlike the float model of its run: both are said.
    bad, source = worse_named_toy(worse, exported, tmp_path), from_workspace(garden)
    what = refused(bad, run_dir, source, policy, out, against=exported.path)
    assert f"tells {BAR}, which the policy protects, worse" in what
    assert "\n  - the int8 model strays from the float one" in what  # each on a line of its own
    card = replace(exported.card, licence="CC-BY-SA-4.0 AND CC-BY-NC-4.0")
    mixed = with_card(exported.path, tmp_path / "mixed.onnx", card)
    assert "licences do not go together" in refused(
        mixed, run_dir, from_workspace(garden), policy, out, first=True
    )
    card = replace(exported.card, licence="NOASSERTION")
    unsaid = with_card(exported.path, tmp_path / "unsaid.onnx", card)
    assert "NOASSERTION" in refused(
        unsaid, run_dir, from_workspace(garden), policy, out, first=True
    )
    assert not out.exists()


def worse_named_toy(worse: Path, exported: Exported, folder: Path) -> Path:
    """Pass the worse model off as the one of the run."""
    return with_card(worse, folder / "passed-off.onnx", exported.card)


def test_what_was_held_out_must_be_judged_on(
    exported: Exported, run_dir: Path, garden: Workspace, policy: Path, tmp_path: Path
) -> None:
    def passed_off(*held_out: str) -> tuple[Path, Path]:
        """Return a model file and its run whose cards say what was held out."""
        folder = tmp_path / "-".join(("run", *held_out))
        shutil.copytree(run_dir, folder)
        card = replace(read_run(run_dir).card, held_out=held_out)
        (folder / "card.json").write_text(card_to_json(card))
        file = with_card(
            exported.path, folder / "m.onnx", replace(exported.card, held_out=held_out)
        )
        return file, folder

    out = tmp_path / "out"
    (held_out,) = exported.card.held_out
    what = refused(
        *passed_off(held_out, "nowhere"), from_workspace(garden), policy, out, first=True
    )
    assert "lacks the held-out site nowhere" in what
    what = refused(*passed_off("nowhere"), from_workspace(garden), policy, out, first=True)
    assert "cannot be evaluated: " in what
    assert "has no labels on any site that was held out" in what
    learned = next(name for name in ("north", "south", "east", "west") if name != held_out)
    what = refused(*passed_off(learned), from_workspace(garden), policy, out, first=True)
    assert "has learned from 2 of the photos to judge it by" in what


def test_without_a_plant_to_protect_harm_is_not_known(
    exported: Exported, run_dir: Path, garden: Workspace, tmp_path: Path
) -> None:
    both = tmp_path / "all.toml"
    both.write_text(f'name = "all"\nremove = ["{DISC}", "{BAR}"]\n')
    what = refused(
        exported.path, run_dir, from_workspace(garden), both, tmp_path / "out", first=True
    )
    assert "no held-out cell shows a plant to protect" in what


def test_a_model_that_treats_nothing_is_released_only_when_that_is_meant(
    exported: Exported, run_dir: Path, garden: Workspace, policy: Path, tmp_path: Path
) -> None:
    classes = tuple(replace(item, treat_at=None) for item in exported.card.classes)
    never = tmp_path / "never.onnx"
    with_card(exported.path, never, replace(exported.card, classes=classes))
    words = ["--run", run_dir, "-w", garden.root, "--policy", policy, "--first"]

    def run(model: Path, *more: str) -> tuple[int, str]:
        asked = ["release", model, *words, *more, "--out", tmp_path / "out"]
        done = CliRunner().invoke(app, [str(word) for word in asked])
        return done.exit_code, done.stderr

    code, said = run(never)
    assert code == 3
    assert f"it treats nothing under this policy, since the model never treats {DISC}" in said
    assert "say --treats-nothing if that is meant" in said
    # Whoever thinks that a model does nothing must not be wrong.
    code, said = run(exported.path, "--treats-nothing")
    assert code == 3
    assert "--treats-nothing says that it treats nothing, and it may treat" in said
    code, said = run(never, "--treats-nothing")
    assert code == 0, said
    assert re.search(r"the model treated 0 of \d+ cells with weeds", said)
    assert f"NOTE: it treats NOTHING under this policy, since the model never treats {DISC}" in said
    assert "it treats NOTHING" in (tmp_path / "out" / "CAUTIONS.md").read_text()
    judged = ["evaluate", "--model", never, "-w", garden.root, "--policy", policy]
    done = CliRunner().invoke(app, [str(word) for word in judged])
    assert "NOTE: nothing is treated, since the model never treats" in done.stderr
    compared = ["compare", exported.path, never, "-w", garden.root, "--policy", policy]
    done = CliRunner().invoke(app, [str(word) for word in compared])
    assert f"NOTE: {never} treats nothing, since the model never treats" in done.stderr


def test_a_release_is_written_whole_or_not_at_all(
    exported: Exported,
    run_dir: Path,
    garden: Workspace,
    policy: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    there = tmp_path / "there"
    there.mkdir()
    (there / "mine.txt").write_text("mine")
    with pytest.raises(ReleaseError, match="is there already"):
        release(exported.path, run_dir, from_workspace(garden), policy, there, first=True)
    assert [path.name for path in there.iterdir()] == ["mine.txt"]

    def full(_fd: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ReleaseError, match="No space left on device") as caught:
        release(
            exported.path, run_dir, from_workspace(garden), policy, tmp_path / "full", first=True
        )
    assert "make room" in caught.value.fix
    assert [path.name for path in tmp_path.iterdir()] == ["there"]


def test_a_model_of_another_run_is_no_release(
    exported: Exported, run_dir: Path, garden: Workspace, policy: Path, tmp_path: Path
) -> None:
    other = replace(exported.card, made_on="2020-01-01")
    file = with_card(exported.path, tmp_path / "other.onnx", other)
    with pytest.raises(ModelError, match="not of the run"):
        release(file, run_dir, from_workspace(garden), policy, tmp_path / "out", first=True)


def test_a_photo_that_is_gone_is_named(
    exported: Exported, run_dir: Path, garden: Workspace, policy: Path, tmp_path: Path
) -> None:
    (site,) = exported.card.held_out
    photo = garden.root.parent / "photos" / f"{site}0.png"
    away = photo.rename(photo.with_suffix(".away"))
    try:
        with pytest.raises(PhotoError, match=photo.name):
            release(
                exported.path, run_dir, from_workspace(garden), policy, tmp_path / "out", first=True
            )
    finally:
        away.rename(photo)


def test_a_whole_release_is_found_whole(released: Released) -> None:
    whole = check_release(released.folder)
    assert whole.card == released.judged.model.card
    assert whole.digest == released.digest


def resealed(folder: Path) -> None:
    """Write the manifest anew, as a forger would."""
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p.name != "manifest-sha256.txt")
    lines = [f"{file_digest(path)}  {path.relative_to(folder).as_posix()}\n" for path in files]
    (folder / "manifest-sha256.txt").write_text("".join(lines))


def add_line(line: str) -> Tamper:
    def tamper(folder: Path) -> None:
        with (folder / "manifest-sha256.txt").open("a") as file:
            file.write(line)

    return tamper


def forge(name: str, old: str, new: str) -> Tamper:
    def tamper(folder: Path) -> None:
        path = folder / name
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))
        resealed(folder)

    return tamper


@pytest.mark.parametrize(
    ("tamper", "said"),
    [
        (lambda folder: (folder / "CREDITS.md").write_text("nobody"), "CREDITS.md is not what"),
        (lambda folder: (folder / "run/run.json").unlink(), "run/run.json is missing"),
        (lambda folder: (folder / "more.txt").write_text("x"), "more.txt is not in the manifest"),
        (lambda folder: (folder / "link").symlink_to("/etc/passwd"), "link is no plain file"),
        (lambda folder: os.mkfifo(folder / "pipe"), "pipe is no plain file"),
        (add_line(f"{'0' * 64}  ../outside\n"), "no digest and name"),
        (add_line(f"{'0' * 64}  /etc/passwd\n"), "no digest and name"),
        (add_line("rubbish\n"), "no digest and name"),
        (add_line(f"{'0' * 64}  README.md\n"), "each once"),
        (forge("recipe.toml", "seed = 3", "seed = 4"), "recipe_sha256 in release.json"),
        (forge("run/card.json", "2026", "2025"), "not of the run"),
    ],
)
def test_a_release_that_was_tampered_with_is_not_whole(
    released: Released, tmp_path: Path, tamper: Tamper, said: str
) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(released.folder, folder)
    tamper(folder)
    with pytest.raises(CheckNotPassedError, match=said):
        check_release(folder)


def test_to_check_takes_no_torch(released: Released) -> None:
    script = (
        "import sys; from pathlib import Path; "
        "from training.releasing.release_check import check_release; "
        "check_release(Path(sys.argv[1])); print('torch' in sys.modules, 'sklearn' in sys.modules)"
    )
    words = [sys.executable, "-c", script, str(released.folder)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_what_is_no_release_is_said(tmp_path: Path) -> None:
    with pytest.raises(ReleaseError, match="is no folder"):
        check_release(tmp_path / "nowhere")
    with pytest.raises(ReleaseError, match="is no release"):
        check_release(tmp_path)


def test_a_recipe_comes_through_toml(tmp_path: Path) -> None:
    recipe = toy_recipe(name='beds "2"\n\\ Ä', learning_rate=1e-05)
    (tmp_path / "r.toml").write_text(recipe_toml(recipe))
    assert read_recipe(tmp_path / "r.toml") == recipe
    assert bytes_digest(recipe_toml(recipe).encode()) == file_digest(tmp_path / "r.toml")


def test_the_verbs(
    exported: Exported, run_dir: Path, garden: Workspace, policy: Path, tmp_path: Path
) -> None:
    words = ["release", str(exported.path), "--run", str(run_dir), "-w", str(garden.root)]
    words += ["--policy", str(policy), "--out", str(tmp_path / "one")]
    done = CliRunner().invoke(app, words)
    assert (done.exit_code, "--first" in done.stderr) == (3, True)
    done = CliRunner().invoke(app, [*words, "--first", "--against", str(exported.path)])
    assert done.exit_code == 2
    done = CliRunner().invoke(app, [*words, "--first", "--json"])
    assert done.exit_code == 0, done.output
    digest = json.loads(done.stdout)["manifest_sha256"]
    done = CliRunner().invoke(app, ["released", str(tmp_path / "one"), "--json"])
    assert json.loads(done.stdout)["manifest_sha256"] == digest
    assert "is whole" in done.stderr
    (tmp_path / "one" / "README.md").unlink()
    assert CliRunner().invoke(app, ["released", str(tmp_path / "one")]).exit_code == 3


def test_an_old_model_from_elsewhere(
    exported: Exported, run_dir: Path, garden: Workspace, worse: Path, policy: Path, tmp_path: Path
) -> None:
    """An old model that never saw this garden: only where that is said."""
    card = replace(open_model(worse).card, held_out=("far-away",), edition_digest="f" * 64)
    far = with_card(worse, tmp_path / "far.onnx", card)
    done = release(
        exported.path,
        run_dir,
        from_workspace(garden),
        policy,
        tmp_path / "out",
        against=far,
        unseen=True,
    )
    assert done.judged.comparison is not None
    assert done.judged.comparison.cells == 126
