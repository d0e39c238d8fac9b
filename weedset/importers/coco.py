"""Reading the marks of a COCO file: polygons and boxes in JSON."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from weedset.errors import LabelError, WeedsetError
from weedset.fields import Fields, parse_json, read_text
from weedset.importers.complaints import raise_all
from weedset.importers.outlines import FAR_PX, Mark, MarkedPhoto, box

_MOST_ID = 2**53


def read_coco(path: Path) -> dict[str, MarkedPhoto]:
    """Read a COCO file of object instances: for each photo name, its marks.

    An annotation with polygons counts by these, one without by its box.
    Raises LabelError naming every entry that is wrong, at once.
    """
    fields = parse_json(read_text(path, LabelError), str(path), LabelError)
    complaints: list[str] = []
    names = _names(fields, complaints)
    images = _images(fields, complaints)
    marks: dict[int, list[Mark]] = {image: [] for image in images}
    for entry in fields.tables("annotations"):
        try:
            image = entry.whole("image_id", least=0, most=_MOST_ID)
            category = entry.whole("category_id", least=0, most=_MOST_ID)
            if image not in images:
                raise entry.complaint("image_id", f"{image} is no image of the file")
            if category not in names:
                raise entry.complaint("category_id", f"{category} is no category of the file")
            marks[image].append(_mark(entry, names[category]))
        except WeedsetError as error:
            complaints.append(str(error).removeprefix(f"{path}: "))
    raise_all(complaints, path)
    return {
        name: MarkedPhoto(tuple(marks[image]), width, height)
        for image, (name, width, height) in images.items()
    }


def _names(fields: Fields, complaints: list[str]) -> dict[int, str]:
    names: dict[int, str] = {}
    for entry in fields.tables("categories"):
        try:
            names[entry.whole("id", least=0, most=_MOST_ID)] = entry.text("name")
        except WeedsetError as error:
            complaints.append(error.what)
    return names


def _images(fields: Fields, complaints: list[str]) -> dict[int, tuple[str, int | None, int | None]]:
    images: dict[int, tuple[str, int | None, int | None]] = {}
    seen: set[str] = set()
    for entry in fields.tables("images"):
        try:
            image = entry.whole("id", least=0, most=_MOST_ID)
            name = PurePosixPath(entry.text("file_name").replace("\\", "/")).name
            if image in images or name in seen:
                raise entry.complaint("id", f"{image} or {name!r} is there twice")
            size = [
                entry.whole(side, least=1, most=1_000_000) if side in entry else None
                for side in ("width", "height")
            ]
            images[image] = (name, size[0], size[1])
            seen.add(name)
        except WeedsetError as error:
            complaints.append(str(error))
    return images


def _mark(entry: Fields, plant: str) -> Mark:
    polygons = entry.raw("segmentation")
    if isinstance(polygons, dict):
        what = "is run-length coded, which is not read here"
        raise entry.complaint("segmentation", what, "save it as polygons, or as a mask picture")
    if not polygons:
        numbers = entry.numbers("bbox", least=-FAR_PX, most=FAR_PX)
        if len(numbers) != 4 or min(numbers[2:]) <= 0:
            raise entry.complaint("bbox", "should be left, top, width and height")
        return box(plant, *numbers)
    lists = entry.number_lists("segmentation", least=-FAR_PX, most=FAR_PX)
    for numbers in lists:
        if len(numbers) % 2 or len(numbers) < 6:
            raise entry.complaint("segmentation", "has a polygon of fewer than three corners")
    rings = tuple(tuple(zip(ring[::2], ring[1::2], strict=True)) for ring in lists)
    return Mark(plant, rings, outline=True)
