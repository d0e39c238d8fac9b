"""Reading polygons from YAML or JSON files of any shape, told where to look by a mapping.

The mapping is a TOML file. Paths go down into tables by dots:

    marks = "annotation"      # the list of marked plants
    label = "type"            # in each: what the plant is called
    x = "points.x"            # in each: the corners, as two lists of numbers ...
    y = "points.y"
    # points = "polygon"      # ... or as one list of pairs
    # photo = "filename"      # the photo's name; without it, the file's own name

There is a file for each photo.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from weedset.errors import LabelError, MissingPartError, SettingsError, WeedsetError
from weedset.fields import Fields, parse_json, read_text, read_toml
from weedset.importers.complaints import raise_all
from weedset.importers.outlines import FAR_PX, Mark, MarkedPhoto, Ring

_SUFFIXES = (".json", ".yaml", ".yml")
_MOST_BYTES = 50_000_000
_MOST_DEPTH = 30


@dataclass(frozen=True, slots=True)
class Mapped:
    """Where things are in the files; `photo` and one of `points` and `x`, `y` may be ""."""

    marks: str
    label: str
    photo: str
    points: str
    x: str
    y: str


def read_mapping(path: Path) -> Mapped:
    """Read a mapping. Raises SettingsError naming the field."""
    fields = read_toml(path, SettingsError)

    def optional(name: str) -> str:
        fields.knows(name)
        return fields.text(name) if name in fields else ""

    mapped = Mapped(
        marks=fields.text("marks"),
        label=fields.text("label"),
        photo=optional("photo"),
        points=optional("points"),
        x=optional("x"),
        y=optional("y"),
    )
    fields.done()
    if bool(mapped.points) == bool(mapped.x) or bool(mapped.x) != bool(mapped.y):
        raise fields.complaint("points", "should be given, or else x and y, not both")
    return mapped


def read_polygons(source: Path, mapped: Mapped) -> dict[str, MarkedPhoto]:
    """Read a file, or all of a folder: for each photo (by name, or its stem), its marks.

    Raises LabelError naming every mark of a file that is wrong.
    """
    paths = [source]
    if source.is_dir():
        paths = sorted(path for path in source.iterdir() if path.suffix.lower() in _SUFFIXES)
    if not paths:
        raise LabelError("holds no JSON or YAML file", where=str(source))
    marked: dict[str, MarkedPhoto] = {}
    for path in paths:
        fields = _read(path)
        name = path.stem
        if mapped.photo:
            table, field = _down(fields, mapped.photo)
            name = PurePosixPath(table.text(field).replace("\\", "/")).name
        if name in marked:
            raise LabelError(f"speaks of {name}, as another file does", where=str(path))
        marked[name] = MarkedPhoto(_marks(fields, mapped, path), None, None)
    return marked


def _marks(fields: Fields, mapped: Mapped, path: Path) -> tuple[Mark, ...]:
    table, field = _down(fields, mapped.marks)
    marks: list[Mark] = []
    complaints: list[str] = []
    for entry in table.tables(field):
        try:
            at, label = _down(entry, mapped.label)
            marks.append(Mark(at.text(label), (_ring(entry, mapped),), outline=True))
        except WeedsetError as error:
            complaints.append(str(error).removeprefix(f"{path}: "))
    raise_all(complaints, path)
    return tuple(marks)


def _ring(entry: Fields, mapped: Mapped) -> Ring:
    if mapped.points:
        table, field = _down(entry, mapped.points)
        ring = table.number_lists(field, least=-FAR_PX, most=FAR_PX)
        if any(len(corner) != 2 for corner in ring):
            raise table.complaint(field, "should be a list of pairs x, y")
    else:
        table, field = _down(entry, mapped.x)
        x = table.numbers(field, least=-FAR_PX, most=FAR_PX)
        table, field = _down(entry, mapped.y)
        y = table.numbers(field, least=-FAR_PX, most=FAR_PX)
        if len(x) != len(y):
            raise table.complaint(field, f"has {len(y)} numbers, but x has {len(x)}")
        ring = tuple(zip(x, y, strict=True))
    if len(ring) < 3:
        raise table.complaint(field, f"has {len(ring)} corners, not three or more")
    return tuple((corner[0], corner[1]) for corner in ring)


def _down(fields: Fields, path: str) -> tuple[Fields, str]:
    """Return the table that holds what is at a dotted path, and the name it has there."""
    *tables, last = path.split(".")
    for name in tables:
        fields = fields.table(name)
    return fields, last


def _read(path: Path) -> Fields:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise LabelError("is larger than any file of polygons should be", where=str(path))
    except OSError as exc:
        raise LabelError(f"cannot be read ({exc.strerror})", where=str(path)) from exc
    text = read_text(path, LabelError)
    if path.suffix.lower() == ".json":
        return parse_json(text, str(path), LabelError)
    return Fields(_parse_yaml(text, path), str(path), LabelError)


def _parse_yaml(text: str, path: Path) -> Mapping[str, object]:
    """Parse YAML: plain data, neither nested deeply nor repeated by aliases.

    A few lines of aliases can stand for gigabytes, and a deep nest can bring the parser
    down, so the events are looked at before anything is built.
    """
    try:
        import yaml
    except ModuleNotFoundError as exc:
        fix = "pip install 'weedset[desk]'"
        raise MissingPartError("reading YAML needs the desk part", fix=fix) from exc
    try:
        depth = 0
        for event in yaml.parse(text, Loader=yaml.SafeLoader):
            depth += isinstance(event, yaml.CollectionStartEvent)
            depth -= isinstance(event, yaml.CollectionEndEvent)
            if isinstance(event, yaml.AliasEvent) or depth > _MOST_DEPTH:
                raise LabelError("uses aliases, or is nested too deeply", where=str(path))
        table: object = yaml.safe_load(text)
    except (yaml.YAMLError, ValueError, RecursionError) as exc:
        reason = str(exc).splitlines()[0]
        raise LabelError(f"is not valid YAML: {reason}", where=str(path)) from exc
    if not isinstance(table, dict):
        raise LabelError("should be a table of fields", where=str(path))
    return {str(name): value for name, value in table.items()}
