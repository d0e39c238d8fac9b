"""Camera profiles: the scale comes from what is known, and from nothing else."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from weedset.errors import CameraError
from weedset.profile import read_camera_profile
from weedset.records import CameraProfile, ExifFacts, ScaleSource
from weedset.scale import exif_focal_share, photo_scale, photo_view


def profile(tmp_path: Path, text: str) -> CameraProfile:
    path = tmp_path / "camera.toml"
    path.write_text('name = "cart"\n' + text)
    return read_camera_profile(path)


FOV = 'height_mm = 400\n[lens]\nfield_of_view_deg = 62.2\nfield_of_view_across = "width"\n'
FOCAL = "height_mm = 400\n[lens]\nfocal_length_mm = 3.6\npixel_pitch_um = 1.4\n"
EQUIVALENT = "height_mm = 600\n[lens]\nfocal_length_35mm_mm = 26\n"
BARE = "height_mm = 1000\n"


def test_each_kind_of_lens_gives_its_scale(tmp_path: Path) -> None:
    # gsd = pitch * height / focal length, by hand: 0.0014 * 400 / 3.6.
    scale = photo_scale(profile(tmp_path, FOCAL), ExifFacts(), 2592, 1944, "p.jpg")
    assert scale.gsd_mm_per_px == pytest.approx(0.0014 * 400 / 3.6)
    assert (scale.source, scale.from_exif) == (ScaleSource.FOCAL_LENGTH, False)
    # 62.2 degrees across, 400 mm high: 482.6 mm wide (2 * 400 * tan 31.1 degrees).
    scale = photo_scale(profile(tmp_path, FOV), ExifFacts(), 1000, 750, "p.jpg")
    assert scale.gsd_mm_per_px * 1000 == pytest.approx(482.6, abs=0.1)
    # 26 mm equivalent, 4032 x 3024 px, 0.6 m high: 0.19811 mm/px (checked with OpenCV).
    scale = photo_scale(profile(tmp_path, EQUIVALENT), ExifFacts(), 4032, 3024, "p.jpg")
    assert scale.gsd_mm_per_px == pytest.approx(0.19811, abs=5e-6)
    scale = photo_scale(
        profile(tmp_path, "[scale]\ngsd_mm_per_px = 0.31\nuncertainty_mm_per_px = 0.01\n"),
        ExifFacts(),
        640,
        480,
        "p.jpg",
    )
    assert (scale.gsd_mm_per_px, scale.uncertainty_mm_per_px) == (0.31, 0.01)
    assert scale.source is ScaleSource.DECLARED


def test_exif_tells_another_lens(tmp_path: Path) -> None:
    """By hand: 26 mm of a 36 x 24 mm frame, whose diagonal is 43.267 mm, over 5000 px."""

    def share(text: str, exif: ExifFacts) -> float | None:
        view = photo_view(profile(tmp_path, text), exif, 4000, 3000, "p.jpg")
        return exif_focal_share(view, exif)

    phone = ExifFacts(focal_length_35mm_mm=26)
    of_height = "height_mm = 500\n[lens]\nfield_of_view_deg = 48\nfield_of_view_across = 'height'\n"
    by_profile_px = 1500 / math.tan(math.radians(24))
    assert share(of_height, phone) == pytest.approx(26 / 43.2666 * 5000 / by_profile_px, rel=1e-5)
    assert share(BARE, phone) == pytest.approx(1)
    assert share(of_height, ExifFacts()) is None
    assert share("[scale]\ngsd_mm_per_px = 0.3\n", phone) is None
    bent = "[distortion]\nmodel = 'fisheye'\ncoefficients = [0.01, 0, 0, 0]\n"
    assert share(of_height + bent, phone) is None


def test_exif_fills_what_the_profile_lacks_and_says_so(tmp_path: Path) -> None:
    bare = profile(tmp_path, BARE)
    scale = photo_scale(bare, ExifFacts(focal_length_35mm_mm=33), 3264, 2448, "p.jpg")
    # 43.2666 mm of frame diagonal over 33 mm at 1000 mm, spread over 4080 px.
    assert scale.gsd_mm_per_px == pytest.approx(43.2666 / 33 * 1000 / 4080, rel=1e-5)
    assert (scale.source, scale.from_exif) == (ScaleSource.EQUIVALENT_35MM, True)
    facts = ExifFacts(focal_length_mm=4.12, pixel_pitch_um=1.4)
    assert photo_scale(bare, facts, 3264, 2448, "p.jpg").gsd_mm_per_px == pytest.approx(1.4 / 4.12)
    half = profile(tmp_path, "height_mm = 1000\n[lens]\npixel_pitch_um = 1.4\n")
    scale = photo_scale(half, ExifFacts(focal_length_mm=4.12), 3264, 2448, "p.jpg")
    assert scale.gsd_mm_per_px == pytest.approx(1.4 / 4.12)


def test_a_turned_photo_has_the_scale_of_the_unturned_one(tmp_path: Path) -> None:
    across_width = profile(tmp_path, FOV)
    flat = photo_scale(across_width, ExifFacts(orientation=1), 1000, 750, "p.jpg")
    turned = photo_scale(across_width, ExifFacts(orientation=6), 750, 1000, "p.jpg")
    assert turned == flat


def test_a_smaller_picture_of_the_same_view_has_larger_pixels(tmp_path: Path) -> None:
    sized = profile(tmp_path, FOCAL + "[image]\nwidth_px = 2592\nheight_px = 1944\n")
    full = photo_scale(sized, ExifFacts(), 2592, 1944, "p.jpg")
    half = photo_scale(sized, ExifFacts(), 1296, 972, "p.jpg")
    assert half.gsd_mm_per_px == pytest.approx(2 * full.gsd_mm_per_px)
    with pytest.raises(CameraError, match="other proportions"):
        photo_scale(sized, ExifFacts(), 1920, 1080, "p.jpg")


def test_a_pitch_is_that_of_the_profiles_picture_though_exif_tells_the_focal_length(
    tmp_path: Path,
) -> None:
    # 0.0014 mm * 1000 mm / 4.12 mm; pixels of a picture of half the size span twice as much.
    pitch = "height_mm = 1000\n[lens]\npixel_pitch_um = 1.4\n"
    sized = profile(tmp_path, pitch + "[image]\nwidth_px = 2592\nheight_px = 1944\n")
    for smaller in (1, 2):
        size = 2592 // smaller, 1944 // smaller
        scale = photo_scale(sized, ExifFacts(focal_length_mm=4.12), *size, "p.jpg")
        assert scale.gsd_mm_per_px == pytest.approx(1.4 / 4.12 * smaller)


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (ExifFacts(), "neither .* nor the photo's EXIF tells the focal length"),
        (ExifFacts(focal_length_mm=4), "tells the pixel pitch"),
        (ExifFacts(focal_length_35mm_mm=26, digital_zoom=2), "digital zoom of 2"),
    ],
)
def test_a_scale_that_cannot_be_known_is_never_guessed(
    tmp_path: Path, facts: ExifFacts, said: str
) -> None:
    with pytest.raises(CameraError, match=said) as caught:
        photo_scale(profile(tmp_path, BARE), facts, 3264, 2448, "p.jpg")
    assert caught.value.where == "p.jpg"
    assert caught.value.fix


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "height_mm = 0\n[lens]\nfocal_length_35mm_mm = 26\n",
            "height_mm: is 0, should be above 0",
        ),
        ("height_mm = -3\n", "height_mm: is -3"),
        ("height_mm = nan\n", "height_mm: should be a number"),
        ('height_mm = "tall"\n', "height_mm: should be a number, not 'tall'"),
        (FOV.replace("62.2", "190"), "field_of_view_deg: is 190"),
        (FOV.replace('"width"', '"widht"'), "field_of_view_across: is 'widht'"),
        (FOV.replace('field_of_view_across = "width"\n', ""), "field_of_view_across: is missing"),
        ("[lens]\nfocal_length_35mm_mm = 26\n", "height_mm: is missing"),
        ("height_mm = 400\nheigth = 3\n", "heigth: is not a known field"),
        (FOCAL + "focal_length_35mm_mm = 26\n", "lens: says the same thing twice"),
        ("height_mm = 400\n[lens]\n", "lens: says nothing of the lens"),
        (FOCAL + "[scale]\ngsd_mm_per_px = 0.3\n", "declares a scale beside a lens"),
        ("[scale]\ngsd_mm_per_px = 0\n", "scale.gsd_mm_per_px: is 0"),
        (BARE + "[image]\nwidth_px = 640\n", "image.height_px: is missing"),
        (BARE + "[image]\nwidth_px = 640.5\nheight_px = 480\n", "should be a whole number"),
        ("height_mm = \n", "is not valid TOML"),
    ],
)
def test_a_bad_profile_names_file_and_field(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(CameraError) as caught:
        profile(tmp_path, text)
    assert said in str(caught.value)
    assert str(caught.value).startswith(str(tmp_path / "camera.toml"))


def test_an_absent_or_binary_profile_is_named(tmp_path: Path) -> None:
    with pytest.raises(CameraError, match=r"nothing\.toml: there is no such file"):
        read_camera_profile(tmp_path / "nothing.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CameraError, match="is not UTF-8 text"):
        read_camera_profile(tmp_path / "binary.toml")
