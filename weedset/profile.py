"""Camera profiles as files: what is known of a camera and how it hangs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal, cast

from weedset.digests import write_whole
from weedset.errors import CameraError
from weedset.fields import Fields, parse_json, read_toml
from weedset.records import (
    CalibratedLens,
    Calibration,
    CameraProfile,
    Distortion,
    Equivalent35mm,
    FieldOfView,
    FocalLength,
    Lens,
    Plants,
    Pose,
)
from weedset.view import read_distortion

HOW_TO_KNOW_THE_SCALE = (
    "give the profile a height_mm and a lens: field_of_view_deg, or focal_length_mm and "
    "pixel_pitch_um, or focal_length_35mm_mm; or a [scale] gsd_mm_per_px that you measured"
)

#: The tables of the file, all of them optional.
_TABLES = ("lens", "scale", "image", "pose", "distortion", "plants", "calibration")


def read_camera_profile(path: Path) -> CameraProfile:
    """Read a camera profile from a TOML file.

    Raises CameraError, naming file and field, for what is missing, absurd or misspelt.
    """
    if not path.exists():
        fix = "make one with `weedset camera from-object`, or write one: docs/scale.md shows how"
        raise CameraError("there is no such file", where=str(path), fix=fix)
    return read_profile(read_toml(path, CameraError))


def profile_from_json(text: str, where: str) -> CameraProfile:
    """Read a profile that `profile_to_json` wrote. Raises CameraError."""
    return read_profile(parse_json(text, where, CameraError))


def profile_to_json(profile: CameraProfile) -> str:
    """Return a profile as JSON of the same shape as its TOML file."""
    return json.dumps(_tables(profile), separators=(",", ":"))


def write_camera_profile(path: Path, profile: CameraProfile) -> None:
    """Write a profile as TOML. Raises CameraError where the file cannot be written."""
    heads, tables = [], []
    for name, value in _tables(profile).items():
        if isinstance(value, dict):
            lines = [f"{key} = {json.dumps(item)}" for key, item in value.items()]
            tables.append("\n".join([f"\n[{name}]", *lines]))
        else:
            heads.append(f"{name} = {json.dumps(value, ensure_ascii=False)}")
    try:
        write_whole(path, "\n".join(heads + tables) + "\n")
    except OSError as exc:
        raise CameraError(f"cannot be written ({exc.strerror})", where=str(path)) from exc


def read_profile(fields: Fields) -> CameraProfile:
    """Read the table of a profile. Raises the error of `fields`, or CameraError."""
    fields.knows("height_mm", "height_uncertainty_mm", *_TABLES)
    name = fields.text("name")
    height_mm = fields.number("height_mm", above=0, most=100_000) if "height_mm" in fields else None
    uncertainty_mm = (
        fields.number("height_uncertainty_mm", least=0, most=10_000)
        if "height_uncertainty_mm" in fields
        else None
    )
    distortion = read_distortion(fields.table("distortion")) if "distortion" in fields else None
    lens = _read_lens(fields, distortion) if "lens" in fields else None
    gsd, gsd_uncertainty, known_object = _read_scale(fields)
    width_px, height_px = _read_image(fields)
    profile = CameraProfile(
        name=name,
        height_mm=height_mm,
        height_uncertainty_mm=uncertainty_mm,
        lens=lens,
        declared_gsd_mm_per_px=gsd,
        declared_uncertainty_mm_per_px=gsd_uncertainty,
        width_px=width_px,
        height_px=height_px,
        pose=_read_pose(fields.table("pose")) if "pose" in fields else Pose(),
        distortion=distortion,
        plants=_read_plants(fields.table("plants")) if "plants" in fields else Plants(),
        known_object=known_object,
        calibration=(
            _read_calibration(fields.table("calibration")) if "calibration" in fields else None
        ),
    )
    fields.done()
    _check_together(fields, profile)
    return profile


def _check_together(fields: Fields, profile: CameraProfile) -> None:
    """Complain of fields that contradict each other, or need another that is absent."""
    declared = profile.declared_gsd_mm_per_px is not None
    if declared and profile.lens is not None:
        raise fields.complaint("scale", "declares a scale beside a lens", "keep one of the two")
    if profile.height_mm is None:
        if not declared:
            raise fields.complaint("height_mm", "is missing", HOW_TO_KNOW_THE_SCALE)
        for name, needs in (
            ("pose", profile.pose.pitch_deg or profile.pose.roll_deg),
            ("distortion", profile.distortion),
            ("plants", profile.plants.most_mm),
        ):
            if needs:
                fix = "measure the height of the lens above the soil and add it"
                raise fields.complaint("height_mm", f"is missing, and [{name}] needs it", fix)
    elif profile.plants.most_mm >= profile.height_mm:
        raise fields.complaint(
            "plants",
            f"reach {profile.plants.most_mm:g} mm, up to the lens at {profile.height_mm:g} mm",
            "hang the camera higher, or check both heights",
        )
    if isinstance(profile.lens, CalibratedLens) and profile.width_px is None:
        fix = "add [image] width_px and height_px: those of the photos used for calibration"
        raise fields.complaint("image", "is missing, and a lens in pixels needs it", fix)


def _read_lens(profile: Fields, distortion: Distortion | None) -> Lens:
    fields = profile.table("lens")
    kinds = {
        "field_of_view_deg": ("field_of_view_across",),
        "focal_length_35mm_mm": (),
        "focal_length_mm": ("pixel_pitch_um",),
        "focal_px": ("centre_x_px", "centre_y_px"),
    }
    given = [kind for kind in kinds if kind in fields]
    if not given and "pixel_pitch_um" in fields:
        given = ["focal_length_mm"]
    if len(given) != 1:
        if not given:  # A misspelt field is the likelier reason, so it is named first.
            fields.knows(*kinds, *(name for needs in kinds.values() for name in needs))
            fields.done()
        what = "says the same thing twice" if given else "says nothing of the lens"
        raise profile.complaint("lens", f"{what}: give one of {', '.join(kinds)}")
    lens: Lens
    match given[0]:
        case "field_of_view_deg":
            # A flat picture cannot show half a turn; a fisheye can.
            wide = distortion is not None and distortion.model == "fisheye"
            angle = fields.number("field_of_view_deg", least=1, below=190 if wide else 170)
            across = fields.choice("field_of_view_across", ("width", "height", "diagonal"))
            lens = FieldOfView(angle, cast(Literal["width", "height", "diagonal"], across))
        case "focal_length_35mm_mm":
            lens = Equivalent35mm(fields.number("focal_length_35mm_mm", least=4, most=2000))
        case "focal_px":
            lens = _read_calibrated(fields)
        case _:
            fields.knows("focal_length_mm", "pixel_pitch_um")
            lens = FocalLength(
                fields.number("focal_length_mm", least=0.3, most=2000)
                if "focal_length_mm" in fields
                else None,
                fields.number("pixel_pitch_um", least=0.3, most=50)
                if "pixel_pitch_um" in fields
                else None,
            )
    fields.done()
    return lens


def _read_calibrated(fields: Fields) -> CalibratedLens:
    uncertainties = ("focal_uncertainty_px", "centre_uncertainty_px")
    fields.knows(*uncertainties)
    return CalibratedLens(
        fields.number("focal_px", above=0, most=1_000_000),
        fields.number("centre_x_px", least=-100_000, most=200_000),
        fields.number("centre_y_px", least=-100_000, most=200_000),
        *(
            fields.number(name, least=0, most=100_000) if name in fields else None
            for name in uncertainties
        ),
    )


def _read_scale(fields: Fields) -> tuple[float | None, float | None, bool]:
    if "scale" not in fields:
        return None, None, False
    scale = fields.table("scale")
    gsd = scale.number("gsd_mm_per_px", above=0, most=20)
    uncertainty = (
        scale.number("uncertainty_mm_per_px", least=0, most=gsd)
        if "uncertainty_mm_per_px" in scale
        else None
    )
    known_object = scale.truth("known_object") if "known_object" in scale else False
    scale.knows("uncertainty_mm_per_px", "known_object")
    scale.done()
    return gsd, uncertainty, known_object


def _read_image(fields: Fields) -> tuple[int | None, int | None]:
    if "image" not in fields:
        return None, None
    image = fields.table("image")
    size = (
        image.whole("width_px", least=16, most=100_000),
        image.whole("height_px", least=16, most=100_000),
    )
    image.done()
    return size


def _read_pose(fields: Fields) -> Pose:
    fields.knows("pitch_deg", "roll_deg", "uncertainty_deg")
    pose = Pose(
        fields.number("pitch_deg", least=-180, most=180) if "pitch_deg" in fields else 0.0,
        fields.number("roll_deg", least=-180, most=180) if "roll_deg" in fields else 0.0,
        fields.number("uncertainty_deg", least=0, most=45) if "uncertainty_deg" in fields else None,
    )
    fields.done()
    return pose


def _read_plants(fields: Fields) -> Plants:
    fields.knows("height_mm", "least_mm", "most_mm")
    height = fields.number("height_mm", least=0, most=100_000) if "height_mm" in fields else 0.0
    plants = Plants(
        height,
        fields.number("least_mm", least=0, most=100_000) if "least_mm" in fields else 0.0,
        fields.number("most_mm", least=0, most=100_000) if "most_mm" in fields else height,
    )
    fields.done()
    if not plants.least_mm <= plants.height_mm <= plants.most_mm:
        what = f"is {plants.height_mm:g}, not between least_mm and most_mm"
        raise fields.complaint("height_mm", what)
    return plants


def _read_calibration(fields: Fields) -> Calibration:
    calibration = Calibration(
        on=fields.text("on"),
        photos=fields.whole("photos", least=1, most=10_000),
        reprojection_error_px=fields.number("reprojection_error_px", least=0, most=10_000),
    )
    fields.done()
    return calibration


def _tables(profile: CameraProfile) -> dict[str, object]:
    """Return the profile in the shape of its file, without what it does not state."""
    plants, pose, lens = profile.plants, profile.pose, profile.lens
    scale = {
        "gsd_mm_per_px": profile.declared_gsd_mm_per_px,
        "uncertainty_mm_per_px": profile.declared_uncertainty_mm_per_px,
        "known_object": profile.known_object or None,
    }
    tables: dict[str, object] = {
        "name": profile.name,
        "height_mm": profile.height_mm,
        "height_uncertainty_mm": profile.height_uncertainty_mm,
        "lens": None if lens is None else _lens_table(lens),
        "scale": None if profile.declared_gsd_mm_per_px is None else scale,
        "image": {"width_px": profile.width_px, "height_px": profile.height_px},
        "pose": None if pose == Pose() else _slots(pose),
        "distortion": None if profile.distortion is None else _slots(profile.distortion),
        "plants": None if plants == Plants() else _slots(plants),
        "calibration": None if profile.calibration is None else _slots(profile.calibration),
    }
    if profile.width_px is None:
        tables["image"] = None
    return {
        name: _stated(value) if isinstance(value, dict) else value
        for name, value in tables.items()
        if value is not None
    }


def _lens_table(lens: Lens) -> dict[str, object]:
    if isinstance(lens, FieldOfView):
        return {"field_of_view_deg": lens.angle_deg, "field_of_view_across": lens.across}
    return _slots(lens)


def _slots(record: object) -> dict[str, object]:
    return {name: getattr(record, name) for name in record.__slots__}  # type: ignore[attr-defined]


def _stated(table: dict[str, object]) -> dict[str, object]:
    return {name: value for name, value in table.items() if value is not None}
