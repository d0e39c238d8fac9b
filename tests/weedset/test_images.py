"""Reading photos: turned as EXIF asks, checked by a second reader, and safe from strangers."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import exifread
import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from tests.conftest import SavePhoto, real_photos
from weedset.drawn import drawn_exif
from weedset.errors import LabelError, PhotoError
from weedset.images import decode_photo, open_photo, read_mask
from weedset.photofiles import find_photos

# EXIF 2.32, tag 0x0112: which visual side rows and columns of the stored picture are at.
# Written as what to do to the stored array to see it upright.
UPRIGHT = {
    1: lambda stored: stored,
    2: lambda stored: stored[:, ::-1],
    3: lambda stored: stored[::-1, ::-1],
    4: lambda stored: stored[::-1],
    5: lambda stored: stored.swapaxes(0, 1),
    6: lambda stored: stored.swapaxes(0, 1)[:, ::-1],
    7: lambda stored: stored.swapaxes(0, 1)[::-1, ::-1],
    8: lambda stored: stored.swapaxes(0, 1)[::-1],
}


@pytest.mark.parametrize("orientation", range(1, 9))
def test_photos_are_turned_as_the_exif_standard_says(
    save_photo: SavePhoto, orientation: int
) -> None:
    stored = np.zeros((40, 60, 3), np.uint8)
    stored[:20, :30] = (250, 10, 10)
    stored[20:, :30] = (10, 250, 10)
    path = save_photo("turned.png", pixels=stored, main_tags={0x0112: orientation})
    opened = open_photo(path)
    expected = UPRIGHT[orientation](stored)
    assert np.array_equal(np.asarray(opened.image), expected)
    assert (opened.height_px, opened.width_px) == expected.shape[:2]


def test_exif_is_read_as_a_second_reader_reads_it(save_photo: SavePhoto) -> None:
    # Source: the exifread package.
    path = save_photo(
        main_tags={0x0112: 6},
        exif_tags={0x920A: IFDRational(412, 100), 0xA405: 33, 0xA20E: IFDRational(7000), 0xA210: 3},
    )
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    facts = open_photo(path).exif
    assert facts.orientation == tags["Image Orientation"].values[0] == 6
    assert facts.focal_length_mm == pytest.approx(float(tags["EXIF FocalLength"].values[0]))
    assert facts.focal_length_35mm_mm == tags["EXIF FocalLengthIn35mmFilm"].values[0]
    taken = str(tags["EXIF DateTimeOriginal"])
    assert facts.taken_at == "2026-05-04T10:11:12" == f"{taken[:10].replace(':', '-')}T{taken[11:]}"
    # 7000 px per centimetre is a pitch of 10 mm / 7000.
    assert facts.pixel_pitch_um == pytest.approx(10 / 7000 * 1000)


def test_real_phone_photos_are_turned_as_the_second_reader_says() -> None:
    for path in sorted(real_photos("carrot_plot").glob("*.JPG"))[:3]:
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
        opened = open_photo(path, least_share=0.1)
        assert opened.exif.orientation == tags["Image Orientation"].values[0]
        assert opened.exif.focal_length_mm == pytest.approx(4.12)
        assert (opened.width_px, opened.height_px) == (3264, 2448)


@pytest.mark.parametrize(("tag", "value"), [(0x920A, 0), (0xA405, 0), (0xA404, 0)])
def test_zero_in_exif_means_not_known(save_photo: SavePhoto, tag: int, value: int) -> None:
    facts = open_photo(save_photo(exif_tags={tag: value})).exif
    assert facts.focal_length_mm is None
    assert facts.focal_length_35mm_mm is None
    assert facts.digital_zoom is None


def test_reduced_decoding_keeps_the_asked_share_and_the_full_size(save_photo: SavePhoto) -> None:
    opened = open_photo(save_photo(size=(800, 640)), least_share=0.3)
    assert opened.image.size == (400, 320)
    assert (opened.width_px, opened.height_px) == (800, 640)
    assert open_photo(save_photo(size=(800, 640)), least_share=0.5).image.size == (400, 320)
    assert open_photo(save_photo(size=(800, 640)), least_share=0.51).image.size == (800, 640)


def test_damaged_and_foreign_files_are_refused_by_name(
    save_photo: SavePhoto, tmp_path: Path
) -> None:
    whole = save_photo().read_bytes()
    for name, data in {
        "cut.jpg": whole[: len(whole) // 2],
        "empty.jpg": b"",
        "text.jpg": b"this is no photo",
        "page.jpg": b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        "bomb.png": _png_header(60_000, 60_000),
    }.items():
        path = tmp_path / name
        path.write_bytes(data)
        with pytest.raises(PhotoError) as caught:
            open_photo(path)
        assert caught.value.where == str(path)
    with pytest.raises(PhotoError, match="there is no such file"):
        open_photo(tmp_path / "absent.jpg")


def test_what_pillow_logs_of_a_damaged_file_stays_inside(tmp_path: Path) -> None:
    """SamplesPerPixel (TIFF 6.0, tag 277) of 2000: Pillow logs an error, and the terminal shows it
    where nobody has asked for logs."""
    plain = io.BytesIO()
    Image.new("RGB", (8, 8)).save(plain, "TIFF")
    entry = struct.pack("<HHIH", 277, 3, 1, 3)
    assert plain.getvalue().count(entry) == 1
    path = tmp_path / "a.tif"
    path.write_bytes(plain.getvalue().replace(entry, struct.pack("<HHIH", 277, 3, 1, 2000)))
    code = (
        "import sys, pathlib\n"
        "from weedset.images import open_photo\n"
        "from weedset.errors import PhotoError\n"
        "try: open_photo(pathlib.Path(sys.argv[1]))\n"
        "except PhotoError: print('refused')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert (done.stdout, done.stderr) == ("refused\n", "")


def test_nonsense_in_exif_does_no_harm(save_photo: SavePhoto) -> None:
    data = bytearray(save_photo(exif_tags={0x920A: 4.12}).read_bytes())
    at = data.index(b"Exif\0\0") + 6
    rng = np.random.default_rng(3)
    for _ in range(200):
        broken = data.copy()
        for _ in range(6):
            broken[at + int(rng.integers(0, 120))] = int(rng.integers(0, 256))
        try:
            opened = decode_photo(bytes(broken), "broken.jpg")
        except PhotoError:
            continue
        assert opened.image.mode == "RGB"


def _png_header(width: int, height: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")


def test_masks_must_hold_one_value_per_pixel(tmp_path: Path) -> None:
    Image.new("RGB", (8, 8)).save(tmp_path / "colour.png")
    with pytest.raises(LabelError, match="mode RGB, not of one value per pixel"):
        read_mask(tmp_path / "colour.png")
    buffer = io.BytesIO()
    Image.new("L", (64, 64), 3).save(buffer, "PNG")
    (tmp_path / "cut.png").write_bytes(buffer.getvalue()[:60])
    with pytest.raises(LabelError, match="is damaged"):
        read_mask(tmp_path / "cut.png")
    palette = Image.new("P", (4, 2), 2)
    palette.putpalette([0, 0, 0, 9, 9, 9, 8, 8, 8])
    palette.save(tmp_path / "palette.png")
    assert read_mask(tmp_path / "palette.png").tolist() == [[2] * 4] * 2


def test_folders_give_their_photos_in_order(save_photo: SavePhoto, tmp_path: Path) -> None:
    for name in ("in/b.jpg", "in/a.JPG", "in/a_mask.png", "in/.hidden.jpg"):
        save_photo(name, size=(8, 8))
    (tmp_path / "in/notes.txt").write_text("x")
    assert [path.name for path in find_photos([tmp_path / "in"])] == ["a.JPG", "b.jpg"]
    (tmp_path / "none").mkdir()
    with pytest.raises(PhotoError, match="holds no photo") as caught:
        find_photos([tmp_path / "none"])
    assert "photos end in .jpeg" in str(caught.value.fix)
    with pytest.raises(PhotoError, match="holds no photo") as caught:
        find_photos([tmp_path])
    assert f"folders inside are not searched: name the one you mean, such as {tmp_path / 'in'}" in (
        str(caught.value.fix)
    )
    with pytest.raises(PhotoError, match="no such file or folder"):
        find_photos([tmp_path / "gone"])


def test_what_weedset_drew_is_no_photo(save_photo: SavePhoto, tmp_path: Path) -> None:
    save_photo("in/a.jpg")
    drawn = tmp_path / "in" / "b.jpg"
    Image.new("RGB", (64, 64)).save(drawn, exif=drawn_exif())
    assert [path.name for path in find_photos([tmp_path / "in"])] == ["a.jpg"]
    with pytest.raises(PhotoError, match="was drawn by weedset"):
        find_photos([drawn])
