"""Camera profiles as files: what is written is what is read, and nonsense is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weedset.errors import CameraError
from weedset.profile import (
    profile_from_json,
    profile_to_json,
    read_camera_profile,
    write_camera_profile,
)
from weedset.records import (
    CalibratedLens,
    Calibration,
    CameraProfile,
    Distortion,
    Equivalent35mm,
    FieldOfView,
    FocalLength,
    Plants,
    Pose,
)

_SIGMA = st.none() | st.floats(0, 40)
_LENSES = st.one_of(
    st.builds(FieldOfView, st.floats(1, 169), st.sampled_from(["width", "height", "diagonal"])),
    st.builds(FocalLength, st.floats(0.3, 2000), st.floats(0.3, 50)),
    st.builds(Equivalent35mm, st.floats(4, 2000)),
    st.builds(
        CalibratedLens, st.floats(1, 9000), st.floats(-9, 9000), st.floats(-9, 9000), _SIGMA, _SIGMA
    ),
)
_DISTORTIONS = st.none() | st.one_of(
    st.tuples(*[st.floats(-1, 1)] * 5).map(lambda k: Distortion("brown-conrady", k)),
    st.tuples(*[st.floats(-1, 1)] * 4).map(lambda k: Distortion("fisheye", k)),
)
PROFILES = st.builds(
    CameraProfile,
    name=st.text("abc äöü\"'\\\n#=[]", min_size=1).filter(str.strip),
    height_mm=st.floats(200, 5000),
    height_uncertainty_mm=_SIGMA,
    lens=_LENSES,
    declared_gsd_mm_per_px=st.none(),
    declared_uncertainty_mm_per_px=st.none(),
    width_px=st.integers(16, 9000),
    height_px=st.integers(16, 9000),
    pose=st.builds(Pose, st.floats(-180, 180), st.floats(-180, 180), _SIGMA),
    distortion=_DISTORTIONS,
    plants=st.floats(0, 60).map(lambda h: Plants(h, h / 2, h * 2)),
    calibration=st.none() | st.builds(Calibration, st.just("2026-05-04"), st.integers(1, 99),
                                      st.floats(0, 9)),
)  # fmt: skip


@given(PROFILES)
def test_profiles_survive_writing_and_reading(
    tmp_path_factory: pytest.TempPathFactory, profile: CameraProfile
) -> None:
    path = tmp_path_factory.mktemp("p") / "c.toml"
    write_camera_profile(path, profile)
    assert read_camera_profile(path) == profile
    assert profile_from_json(profile_to_json(profile), "x") == profile


LENS = "[lens]\nfocal_length_mm = 4\npixel_pitch_um = 1.4\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "height_mm = 500\n[lens]\nfeild_of_view_deg = 48\n",
            r"c\.toml: lens\.feild_of_view_deg: is not a known field",
        ),
        ("height_mm = 500\n[lens]\n", r"c\.toml: lens: says nothing of the lens"),
        (
            "height_mm = 500\n[lens]\nfocal_length_35mm_mm = 26\nfocal_length_mm = 4\n",
            r"c\.toml: lens: says the same thing twice",
        ),
        ("height_mm = 500\n" + LENS + "[plants]\nmost_mm = 600\n", "up to the lens at 500 mm"),
        ("height_mm = 500\n" + LENS + "[plants]\nheight_mm = 40\nmost_mm = 10\n", "not between"),
        ("height_mm = 500\n" + LENS + "[pose]\npitch_deg = 400\n", "pose.pitch_deg: is 400"),
        ("height_mm = 500\n" + LENS + "[pose]\npitch = 4\n", "pose.pitch: is not a known field"),
        (
            "height_mm = 500\n" + LENS + '[distortion]\nmodel = "fisheye"\ncoefficients = [0]\n',
            "has 1 numbers, while fisheye takes 4",
        ),
        (
            "height_mm = 500\n" + LENS + '[distortion]\nmodel = "round"\ncoefficients = []\n',
            "not one of brown-conrady, fisheye",
        ),
        ("[scale]\ngsd_mm_per_px = 0.3\n[pose]\npitch_deg = 4\n", r"\[pose\] needs it"),
        ("[scale]\ngsd_mm_per_px = 0.3\n[plants]\nmost_mm = 4\n", r"\[plants\] needs it"),
        (
            "height_mm = 500\n[lens]\nfocal_px = 900\ncentre_x_px = 5\ncentre_y_px = 5\n",
            "a lens in pixels needs it",
        ),
        (
            'height_mm = 500\n[lens]\nfield_of_view_deg = 175\nfield_of_view_across = "width"\n',
            "should be at least 1 and below 170",
        ),
    ],
)
def test_nonsense_names_its_field(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text('name = "c"\n' + text)
    with pytest.raises(CameraError, match=said):
        read_camera_profile(path)


def test_a_misspelt_field_of_the_lens_gets_a_hint(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text('name = "c"\nheight_mm = 500\n[lens]\nfeild_of_view_deg = 48\n')
    with pytest.raises(CameraError) as caught:
        read_camera_profile(path)
    assert caught.value.fix == "did you mean 'field_of_view_deg'?"


def test_a_scale_with_a_height_may_be_tilted(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text(
        'name = "c"\nheight_mm = 500\n[scale]\ngsd_mm_per_px = 0.3\n[pose]\nroll_deg = 9\n'
    )
    assert read_camera_profile(path).pose == Pose(0, 9, None)
