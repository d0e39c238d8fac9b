"""The verbs about a camera: from a printed sheet or a known object to a profile to trust."""

from __future__ import annotations

import json
import re
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from weedset.cli.door import JsonOption, emit, usage_error
from weedset.digests import write_whole
from weedset.errors import (
    CameraError,
    CheckNotPassedError,
    SettingsError,
    WeedsetError,
    printable,
)
from weedset.images import open_photo
from weedset.photofiles import find_photos
from weedset.profile import profile_to_json, read_camera_profile, write_camera_profile
from weedset.records import CameraProfile
from weedset.talk import complain, follow, say

_RULER_MM = 200.0  # weedset.corners says so too, but costs the import of OpenCV


class Paper(StrEnum):
    """Papers to print the sheet on."""

    A4 = "a4"
    LETTER = "letter"


_POINTED = "In px of the upright photo, with a comma and no blank: 100,80."

FromOption = Annotated[str, typer.Option("--from", help=f"One end of the object. {_POINTED}")]
ToOption = Annotated[str, typer.Option("--to", help=f"The other end. {_POINTED}")]
LengthOption = Annotated[float, typer.Option(min=1, help="How long it is, in mm.")]
KnownOption = Annotated[
    float, typer.Option(min=0, help="How well that is known, in mm (one sigma).")
]
PointingOption = Annotated[
    float, typer.Option(min=0.1, help="How well each end was pointed at, in px (one sigma).")
]
RulerOption = Annotated[
    float,
    typer.Option(min=100, max=300, help="What the 200 mm ruler on your print measures, in mm."),
]


def add_camera_verbs(app: typer.Typer) -> None:
    """Add the group of verbs about cameras to `app`."""
    group = typer.Typer(no_args_is_help=True, help="Make and check a camera profile.")
    group.command("sheet")(sheet)
    group.command("calibrate")(calibrate)
    group.command("from-object")(from_object)
    group.command("check")(check)
    group.command("explain")(explain)
    app.add_typer(group, name="camera")


def sheet(
    out: Annotated[Path, typer.Argument(help="The PDF to write.")],
    paper: Annotated[Paper, typer.Option(help="The paper it is for.")] = Paper.A4,
) -> None:
    """Write the calibration board as a PDF to print at 100 %.

    Example: `weedset camera sheet board.pdf`

    Example: `weedset camera sheet board.pdf --paper letter`
    """
    from weedset.sheet import draw_sheet

    try:
        write_whole(out, draw_sheet(paper.value))
    except OSError as exc:
        raise CameraError(f"cannot be written ({exc.strerror})", where=str(out)) from exc
    say(f"Wrote {out}. Print it at 100 %, glue it on a stiff board, and measure its rulers.")


def calibrate(
    photos: Annotated[list[Path], typer.Argument(help="Photos of the board, held at many angles.")],
    out: Annotated[Path, typer.Option(help="The camera profile to write (TOML).")],
    ground: Annotated[
        list[Path] | None,
        typer.Option(help="A photo of the board flat on the soil, from where the camera works."),
    ] = None,
    name: Annotated[str, typer.Option(help="What to call the camera.")] = "camera",
    fisheye: Annotated[
        bool, typer.Option("--fisheye", help="For lenses wider than about 110 degrees.")
    ] = False,
    ruler_mm: RulerOption = _RULER_MM,
    height_mm: Annotated[
        float | None,
        typer.Option(min=1, help="Height of the lens in mm, if no photo is of the ground."),
    ] = None,
    height_uncertainty_mm: Annotated[
        float | None, typer.Option(min=0, help="How well that height is known, in mm (one sigma).")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a camera profile from photos of the printed board.

    Six photos at least, better twelve, with the board tilted by 30 degrees to all sides
    and in all corners. With --ground, height and tilt come out too.

    Example: `weedset camera calibrate held/ --ground ground.jpg --out cart.toml --name cart`

    Example: `weedset camera calibrate held/ --height-mm 600 --out cart.toml --fisheye`
    """
    from weedset.calibrate import fit_camera
    from weedset.corners import SeenBoard, find_board
    from weedset.verdict import profile_of_fit, verdict

    def found(paths: list[Path]) -> list[SeenBoard]:
        boards = []
        for path in follow(paths, len(paths), "finding the board"):
            try:
                boards.append(find_board(path))
            except WeedsetError as error:
                complain(error)
        return boards

    _require_new(out)
    on_soil = find_photos(ground or [])
    on_ground = found(on_soil)
    if ground and not on_ground:
        raise CameraError("no photo given with --ground shows the board", where="calibration")
    # A photo counts once, though it lies in the folder of those that were held, too.
    once = {path.resolve() for path in on_soil}
    held = [path for path in find_photos(photos) if path.resolve() not in once]
    fit = fit_camera(found(held), on_ground, fisheye, ruler_mm)
    worth, hints = verdict(fit)
    given = None if height_mm is None else (height_mm, height_uncertainty_mm)
    profile = profile_of_fit(fit, name, date.today().isoformat(), given)
    write_camera_profile(out, profile)
    if as_json:
        emit({"verdict": worth, "hints": hints, "error_px": round(fit.error_px, 4),
              "covered": round(fit.covered, 3),
              "profile": json.loads(profile_to_json(profile))})  # fmt: skip
    else:
        _say_profile(profile)
        typer.echo(f"verdict: {worth}, from {len(fit.errors_px)} photos, {fit.error_px:.2f} px off")
    for hint in hints:
        say(f"  better: {hint}")
    say(f"Wrote {out}.")


def _say_profile(profile: CameraProfile) -> None:
    lens, pose = profile.lens, profile.pose
    spread = profile.height_uncertainty_mm
    typer.echo(f"height   {profile.height_mm:.1f} mm" + (f" +- {spread:.1f}" if spread else ""))
    typer.echo(
        f"tilt     pitch {pose.pitch_deg:.2f}, roll {pose.roll_deg:.2f} degrees"
        + (f" +- {pose.uncertainty_deg:.2f}" if pose.uncertainty_deg else "")
    )
    typer.echo(f"lens     {lens}")


def from_object(
    photo: Annotated[Path, typer.Argument(help="A photo with something of known length in it.")],
    first: FromOption,
    second: ToOption,
    length_mm: LengthOption,
    out: Annotated[Path, typer.Option(help="The camera profile to write (TOML).")],
    camera: Annotated[
        Path | None, typer.Option(help="A profile whose lens is right: only the height is found.")
    ] = None,
    name: Annotated[str, typer.Option(help="What to call the camera.")] = "camera",
    length_uncertainty_mm: KnownOption = 0.5,
    pointing_px: PointingOption = 2.0,
    as_json: JsonOption = False,
) -> None:
    """Take the scale from one object of known length that lies on the ground.

    A folding rule or a board will do: point at its two ends, in pixels of the upright
    photo. The camera is taken to look straight down unless --camera knows better.

    Example: `weedset camera from-object p.jpg --from 100,80 --to 900,95 --length-mm 300 --out c.toml`

    Example: `weedset camera from-object p.jpg --from 9,8 --to 9,700 --length-mm 200 --out c.toml`
    """  # noqa: E501
    from weedset.known_object import KnownLength, height_from_length, profile_from_length

    known = KnownLength(
        _point(first, "--from"), _point(second, "--to"), length_mm, length_uncertainty_mm,
        pointing_px,
    )  # fmt: skip
    opened = open_photo(photo)
    if camera is None:
        profile = profile_from_length(known, opened, name, str(photo))
        gsd, spread = profile.declared_gsd_mm_per_px, profile.declared_uncertainty_mm_per_px
        if not as_json:
            typer.echo(f"scale    {gsd:.5f} mm/px +- {spread:.5f}")
        if gsd is not None:
            across, down = profile.width_px or 0, profile.height_px or 0
            say(
                f"So the whole photo shows {across * gsd:.0f} x {down * gsd:.0f} mm of ground. If "
                "that cannot be, look at the two points again, and at the length: it is in mm.\n"
                "Before a machine treats by it, add height_mm and height_uncertainty_mm: without a "
                "height nobody knows how far off a position may lie, and much is left alone."
            )
    else:
        profile = height_from_length(known, opened, read_camera_profile(camera), str(photo))
        if not as_json:
            _say_profile(profile)
    _require_new(out)
    write_camera_profile(out, profile)
    if as_json:
        emit({"profile": json.loads(profile_to_json(profile))})
    say(f"Wrote {out}. It holds as long as the camera keeps its height.")


def _point(text: str, option: str) -> tuple[float, float]:
    match = re.fullmatch(r"\s*(\d{1,6}(?:\.\d+)?)\s*,\s*(\d{1,6}(?:\.\d+)?)\s*", text)
    if match is None:
        usage_error(f"{option}: a point such as 1203,455, with a comma and no blank")
    return float(match[1]), float(match[2])


def check(
    camera: Annotated[Path, typer.Argument(help="The camera profile to check (TOML).")],
    photo: Annotated[Path, typer.Argument(help="A photo of the board, or of a known length.")],
    first: FromOption = "",
    second: ToOption = "",
    length_mm: Annotated[
        float | None, typer.Option(min=1, help="Length of the object, in mm.")
    ] = None,
    length_uncertainty_mm: KnownOption = 0.5,
    pointing_px: PointingOption = 2.0,
    ruler_mm: RulerOption = _RULER_MM,
    as_json: JsonOption = False,
) -> None:
    """Check whether a profile still agrees with what lies on the ground, and by how much.

    Without --from, --to and --length-mm the photo must show the printed board flat on the
    soil. Exit code 3 says that the profile is off.

    Example: `weedset camera check cart.toml ground.jpg`

    Example: `weedset camera check cart.toml p.jpg --from 100,80 --to 900,95 --length-mm 300`
    """
    from weedset.corners import find_board
    from weedset.known_object import KnownLength, check_board, check_length

    profile = read_camera_profile(camera)
    if first or second or length_mm is not None:
        if not (first and second and length_mm is not None):
            usage_error("--from, --to and --length-mm go together")
        known = KnownLength(
            _point(first, "--from"), _point(second, "--to"), length_mm, length_uncertainty_mm,
            pointing_px,
        )  # fmt: skip
        result = check_length(known, open_photo(photo), profile, str(photo))
    else:
        result = check_board(find_board(photo), profile, ruler_mm / _RULER_MM, str(photo))
    if as_json:
        emit({"ratio": round(result.ratio, 5), "expected": round(result.expected, 5),
              "lengths": result.lengths, "tilt_left_deg": result.tilt_left_deg,
              "agrees": result.agrees})  # fmt: skip
    else:
        typer.echo(
            f"lengths by the profile are {result.ratio:.4f} of the true ones "
            f"({result.ratio - 1:+.2%}; one sigma of it is {result.expected:.2%})"
        )
        if result.tilt_left_deg is not None:
            typer.echo(f"tilt beyond the profile's: about {result.tilt_left_deg:.1f} degrees")
    if not result.agrees:
        raise CheckNotPassedError(
            f"the profile is off by {result.ratio - 1:+.1%}",
            where=str(camera),
            fix="the height, the tilt or the camera mode has changed: "
            + (
                "measure the object again with `weedset camera from-object`"
                if profile.known_object
                else "calibrate again"
            ),
        )
    say("The profile agrees.")


def explain(
    photo: Annotated[Path, typer.Argument(help="A photo.")], as_json: JsonOption = False
) -> None:
    """Say what a photo's EXIF tells of its scale, and what it cannot tell.

    Example: `weedset camera explain IMG_1.jpg`

    Example: `weedset camera explain IMG_1.jpg --json`
    """
    from weedset.exif_report import conclusion, exif_lines

    opened = open_photo(photo)
    lines = exif_lines(opened)
    words, command = conclusion(opened, str(photo))
    if as_json:
        for line in lines:
            emit({"name": line.name, "says": line.says, "gives": line.gives})
        emit({"name": "together", "says": None, "gives": f"{words}: {command}"})
        return
    table = Table("source", "says", "what it gives, and what not", header_style="bold")
    for line in lines:
        table.add_row(line.name, line.says or "-", line.gives)
    Console(highlight=False).print(table)
    typer.echo(f"{words}:\n    {printable(command)}")


def _require_new(out: Path) -> None:
    """Refuse to write over a profile: one that was made with care is not lost by a slip."""
    if out.exists():
        fix = "name another file with --out, or move that one away"
        raise SettingsError("is there already", where=str(out), fix=fix)
