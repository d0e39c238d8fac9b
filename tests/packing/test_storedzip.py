"""The narrow zip, read by the standard library and by unzip."""

from __future__ import annotations

import io
import tempfile
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from weedset.errors import ContributionError
from weedset.storedzip import StoredZip, StoredZipWriter

_MIB = 1 << 20

NAMES = st.text("abcdefghij0123456789/._-é", min_size=1, max_size=40).filter(
    lambda name: not name.endswith("/")
)


def write(path: Path, files: dict[str, bytes]) -> None:
    with path.open("w+b") as file, StoredZipWriter(file) as writer:
        for name, data in files.items():
            if len(data) % 2:
                writer.add_bytes(name, data)
            else:
                writer.add(name, [data[:3], data[3:]])
        writer.finish()


def read(path: Path) -> dict[str, bytes]:
    with path.open("rb") as file:
        archive = StoredZip(file, "x")
        return {member.name: archive.read(member) for member in archive.members()}


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(NAMES, st.binary(max_size=300), max_size=20))
def test_what_is_written_is_read_by_both(files: dict[str, bytes]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.zip"
        write(path, files)
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
            assert {name: archive.read(name) for name in archive.namelist()} == files
            assert all(info.date_time[:3] == (2000, 1, 1) for info in archive.infolist())
            assert all(info.external_attr >> 16 == 0o100644 for info in archive.infolist())
        assert read(path) == files


def test_more_members_than_16_bits_count(tmp_path: Path) -> None:
    path = tmp_path / "many.zip"
    files = {f"{i:06d}": b"" for i in range(66_000)}
    write(path, files)
    with zipfile.ZipFile(path) as archive:
        assert archive.namelist() == list(files)
    assert list(read(path)) == list(files)


class _Sparse(io.FileIO):
    """A file that leaves out what is nothing but zeros."""

    def write(self, data: bytes) -> int:  # type: ignore[override]
        if len(data) == _MIB and not any(data[::4096]):
            self.seek(_MIB, 1)
            return _MIB
        return super().write(data)


@pytest.mark.slow
def test_offsets_beyond_32_bits(tmp_path: Path) -> None:
    path = tmp_path / "large.zip"
    with _Sparse(path, "w+b") as file, StoredZipWriter(file) as writer:
        for name in ("a", "b"):
            writer.add(name, (bytes(_MIB) for _ in range(2048)))
        writer.add_bytes("c", b"x")
        writer.finish()
    with zipfile.ZipFile(path) as archive:
        assert archive.infolist()[2].header_offset > 0xFFFFFFFF
        assert archive.read("c") == b"x"
    with path.open("rb") as reading:
        stored = StoredZip(reading, "x")
        *_, last = stored.members()
        assert (last.name, stored.read(last)) == ("c", b"x")


@pytest.mark.parametrize("place", ["beside", "directory"])
def test_what_other_programs_refuse_is_refused(tmp_path: Path, place: str) -> None:
    """APPNOTE 4.4.3: the version needed to extract; the standard library refuses later ones."""
    path = tmp_path / "x.zip"
    write(path, {"a": b"x"})
    data = bytearray(path.read_bytes())
    at = 4 if place == "beside" else data.index(b"PK\x01\x02") + 6
    assert data[at] == 45
    data[at] = 177
    path.write_bytes(data)
    if place == "directory":
        with pytest.raises(NotImplementedError, match=r"17\.7"):
            zipfile.ZipFile(path)
    with pytest.raises(ContributionError):
        read(path)
