"""Hostile archives: each is refused with its reason, in bounded memory, and writes nothing."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED

import pytest

from tests.packing.forge import BAG, Forgery, check, forge, read_bag, write_zip
from tests.packing.hostile import CORPUS, make_corpus

#: Checks every archive of the corpus in a process that may not write a byte to any file
#: (RLIMIT_FSIZE), nor take more than a gigabyte of memory, nor a minute of its core.
BOUNDED = """
import json, pathlib, resource, sys
from tests.packing.forge import check
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30))
resource.setrlimit(resource.RLIMIT_CPU, (60, 60))
for name, path in json.loads(pathlib.Path(sys.argv[1]).read_text()).items():
    report = check(pathlib.Path(path))
    print(json.dumps([name, report.count, [str(f) for f in report.findings]]), flush=True)
"""


@pytest.fixture(scope="session")
def corpus(packed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("corpus")
    make_corpus(packed, folder)
    return folder


@pytest.fixture(scope="session")
def said(corpus: Path) -> dict[str, list[str]]:
    """What the check says of each archive."""
    before = sorted(path.name for path in corpus.iterdir())
    done = subprocess.run(
        [sys.executable, "-B", "-c", BOUNDED, str(corpus / "names.json")],
        capture_output=True,
        text=True,
        check=False,
        env={"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PATH": ""},
    )
    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in corpus.iterdir()) == before
    return {name: findings for name, _, findings in map(json.loads, done.stdout.splitlines())}


@pytest.mark.parametrize("name", CORPUS)
def test_it_is_refused_for_its_reason(name: str, said: dict[str, list[str]]) -> None:
    reason = CORPUS[name][1]
    assert any(reason in finding for finding in said[name]), said[name]


def test_what_is_said_can_be_printed_anywhere(said: dict[str, list[str]]) -> None:
    for findings in said.values():
        for finding in findings:
            assert finding.isprintable()
            assert len(finding) < 1500


def test_an_honest_copy_by_other_means_passes(packed: Path, tmp_path: Path) -> None:
    """So that the corpus is refused for its tricks, not for how the forger writes."""
    assert check(forge(packed, tmp_path / "copy.zip", lambda bag: None)).passed


def test_everything_wrong_is_said_at_once(packed: Path, tmp_path: Path) -> None:
    def change(bag: Forgery) -> None:
        bag.change_batch(lambda table: table["giving"].update(giver="<b>", consentOn="x"))
        bag.change_row("data/photos.jsonl", 1, gsd_mm_per_px=-1, rows=0, profile={"name": ""})
        bag.change_row("data/labels.jsonl", 3, verdict="?", present=["?"], identifiedBy="?")
        bag.files["data/tiles/p00002/r00000c00001.jpg"] = b"?"
        bag.files["data/notes.txt"] = b"?"

    report = check(forge(packed, tmp_path / "many.zip", change))
    places = {(finding.file, finding.row, finding.field) for finding in report.findings}
    assert places >= {
        ("data/batch.json", 0, "giving.giver"),
        ("data/batch.json", 0, "giving.consentOn"),
        ("data/photos.jsonl", 2, "gsd_mm_per_px"),
        ("data/photos.jsonl", 2, "rows"),
        ("data/photos.jsonl", 2, "profile.name"),
        ("data/labels.jsonl", 4, "verdict"),
        ("data/labels.jsonl", 4, "present"),
        ("data/labels.jsonl", 4, "identifiedBy"),
        ("data/tiles/p00002/r00000c00001.jpg", 0, ""),
        (f"{BAG}/data/notes.txt", 0, ""),
    }


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 0.999])
def test_a_truncated_archive_is_refused(packed: Path, tmp_path: Path, share: float) -> None:
    data = packed.read_bytes()
    path = tmp_path / "cut.zip"
    path.write_bytes(data[: int(len(data) * share)])
    report = check(path)
    assert not report.passed
    assert len(report.findings) == 1


def test_only_what_is_shown_is_kept_of_many_faults(packed: Path, tmp_path: Path) -> None:
    def change(bag: Forgery) -> None:
        bag.files["data/labels.jsonl"] = b"x\n" * 50_000

    report = check(forge(packed, tmp_path / "faults.zip", change))
    assert report.count >= 50_000
    assert len(report.findings) == 1000


def test_all_that_a_bag_needs_is_needed(packed: Path, tmp_path: Path) -> None:
    for name in read_bag(packed).files:
        path = forge(packed, tmp_path / "less.zip", lambda bag: bag.files.pop(name), honest=False)  # noqa: B023
        report = check(path)
        assert not report.passed, name


def test_a_fault_is_told_once(packed: Path, tmp_path: Path) -> None:
    """Zipped again by another program, or a plant misspelt all over: a line each, not hundreds."""
    again = write_zip(tmp_path / "again.zip", read_bag(packed).files, method=ZIP_DEFLATED)
    (line,) = check(again).lines()
    assert "more files: is compressed" in line
    assert "`weedset pack`" in line

    def misspell(bag: Forgery) -> None:
        labels = bag.files["data/labels.jsonl"]
        bag.files["data/labels.jsonl"] = labels.replace(b'"STEME"', b'"AVEFA"')

    report = check(forge(packed, tmp_path / "misspelt.zip", misspell))
    (line,) = report.lines()
    assert report.count > 1
    assert f"and {report.count - 1} more row" in line


@pytest.mark.parametrize("name", ["licence", "tiles"])
def test_what_follows_from_a_fault_is_no_second_one(
    name: str, packed: Path, tmp_path: Path
) -> None:
    def lose(table: dict[str, Any]) -> None:
        (table if name == "tiles" else table["giving"]).pop(name)

    report = check(forge(packed, tmp_path / "bad.zip", lambda bag: bag.change_batch(lose)))
    assert [finding.field.rpartition(".")[2] for finding in report.findings] == [name]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b'{"tiles": ' + b"9" * 5000 + b"}", "a number has too many digits"),
        (b"[" * 100_000, "it is nested too deep"),
    ],
)
def test_the_limits_of_a_reader_are_told_in_words(
    text: bytes, said: str, packed: Path, tmp_path: Path
) -> None:
    def lie(bag: Forgery) -> None:
        bag.files["data/batch.json"] = text

    (finding,) = check(forge(packed, tmp_path / "bad.zip", lie)).findings
    assert finding.what == f"is not valid JSON: {said}"
