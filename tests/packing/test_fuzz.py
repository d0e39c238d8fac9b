"""Whatever the bytes: a report, never a crash, and no content passes but that of the manifest.

Content that a forger changed under true manifests may pass where it still makes sense: that
is another contribution, not a damaged one.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.packing.forge import check
from tests.packing.fuzz import Fuzzer
from weedset.errors import PhotoError
from weedset.jpegs import plain_jpeg_size


@pytest.fixture(scope="session")
def fuzzer(packed: Path, tmp_path_factory: pytest.TempPathFactory) -> Fuzzer:
    return Fuzzer(packed, tmp_path_factory.mktemp("fuzz"))


def same_content(one: Path, other: Path) -> bool:
    with zipfile.ZipFile(one) as a, zipfile.ZipFile(other) as b:
        return a.namelist() == b.namelist() and all(a.read(n) == b.read(n) for n in a.namelist())


@settings(
    max_examples=1_500, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**40))
def test_damaged_archives_are_reported(fuzzer: Fuzzer, packed: Path, seed: int) -> None:
    path = fuzzer.make(seed)
    report = check(path)
    for finding in report.findings:
        assert str(finding).isprintable()
    if report.passed and fuzzer.is_outside(seed):
        assert same_content(path, packed)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_for_an_archive(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.zip"
    path.write_bytes(data)
    assert not check(path).passed


@settings(max_examples=500, deadline=None)
@given(st.binary(max_size=200), st.booleans())
def test_any_bytes_for_a_jpeg(data: bytes, begun: bool) -> None:
    try:
        width, height = plain_jpeg_size(b"\xff\xd8" + data if begun else data)
    except PhotoError:
        return
    assert width > 0
    assert height > 0
