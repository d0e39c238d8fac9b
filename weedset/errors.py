"""The one tree of expected failures.

WeedsetError                  exit 1: says what is wrong, where, and what to do next
├── SettingsError             a workspace, recipe or settings file that cannot be used
├── CameraError               a camera profile that is wrong, or a scale that cannot be known
├── PhotoError                a photo that cannot be read or cannot be cut into cells
├── UnknownSpeciesError       a species code that is in no species list
├── LabelError                labels that are malformed or contradict each other
├── StoreError                a workspace store that is missing, newer, or in use
│   └── ConflictError         tiles that were labelled meanwhile in another window
├── ModelError                a model file that is no weedset model, or disagrees with its card
├── MeasurementError          a record of a board's speed that cannot be used
├── PolicyError               a garden policy that cannot be applied
├── DriveError                odometry, or a list of what was treated, that cannot be used
├── LicenceError              a licence that is not known here, or that forbids what is asked
├── ContributionError         a contribution that cannot be packed, opened or handed over
├── PoolError                 a pool or an edition that is damaged, in use, or cannot be written
├── TrainingError             data or settings that no model can be trained from
├── ReleaseError              a release that is damaged, there already, or cannot be written
├── WorkersError              processes or a cluster that were lost, or cannot be reached
├── MissingPartError          an optional part of weedset that is not installed
└── CheckNotPassedError       exit 3: a check or gate said no

Anything else that is raised is a bug and shows its traceback.
"""

from __future__ import annotations

from typing import ClassVar

#: More of a line tells nobody anything.
_MOST_LINE = 1000


class WeedsetError(Exception):
    """An expected failure.

    `what` is wrong, `where` it is (file, row, field), and how to `fix` it.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        super().__init__(what, where, fix)
        self.what = what
        self.where = where
        self.fix = fix

    def __str__(self) -> str:
        what = in_lines(self.what)
        return f"{in_lines(printable(self.where))}: {what}" if self.where else what

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions cross process borders by pickle, which forgets keyword arguments.
        return (_rebuild, (type(self), self.what, self.where, self.fix))


def printable(text: str) -> str:
    """Return a stranger's text without what would steer a terminal or break a line."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def in_lines(text: str) -> str:
    """Return a text of ours, with strangers' names in it, in lines that can be read."""
    lines = (printable(line) for line in text.split("\n"))
    return "\n".join(
        line if len(line) <= _MOST_LINE else f"{line[:_MOST_LINE]} ..." for line in lines
    )


def why_unreadable(error: OSError) -> str:
    """Return in words why a file cannot be read."""
    if isinstance(error, IsADirectoryError):
        return "is a folder, where a file is wanted"
    return f"cannot be read ({error.strerror})"


def _rebuild(kind: type[WeedsetError], what: str, where: str, fix: str) -> WeedsetError:
    return kind(what, where=where, fix=fix)


class SettingsError(WeedsetError):
    """A workspace, recipe or settings file cannot be used."""


class CameraError(WeedsetError):
    """A camera profile is wrong, or the ground scale cannot be known from it."""


class PhotoError(WeedsetError):
    """A photo cannot be read, or cannot be cut into cells."""


class UnknownSpeciesError(WeedsetError):
    """A species code is in no species list."""


class LabelError(WeedsetError):
    """Labels are malformed or contradict each other."""


class StoreError(WeedsetError):
    """The store of a workspace is missing, of a newer version, or in use."""


class ConflictError(StoreError):
    """Tiles (`tile_ids`) were labelled meanwhile in another window or program."""

    def __init__(self, tile_ids: tuple[int, ...]) -> None:
        super().__init__(
            "was labelled meanwhile in another window",
            where=f"tile {', '.join(map(str, tile_ids))}",
            fix="look at the label that stands now, and label again if it is wrong",
        )
        self.tile_ids = tile_ids

    def __reduce__(self) -> tuple[object, ...]:
        return (ConflictError, (self.tile_ids,))


class ModelError(WeedsetError):
    """A model file is no weedset model, or disagrees with its card."""


class MeasurementError(WeedsetError):
    """A record of a board's speed cannot be used."""


class PolicyError(WeedsetError):
    """A garden policy cannot be applied."""


class DriveError(WeedsetError):
    """Odometry, or a list of treated plants, cannot be used, or a plant is not on offer."""


class LicenceError(WeedsetError):
    """A licence is not in the allow-list, or forbids what is asked."""


class ContributionError(WeedsetError):
    """A contribution cannot be packed, opened or handed over."""


class PoolError(WeedsetError):
    """A pool or an edition is damaged, in use, or cannot be written."""


class TrainingError(WeedsetError):
    """No model can be trained from this data with these settings."""


class ReleaseError(WeedsetError):
    """A release is damaged, is there already, or cannot be written."""


class WorkersError(WeedsetError):
    """Processes or a cluster that do heavy work were lost, or cannot be reached."""


class MissingPartError(WeedsetError):
    """An optional part of weedset is not installed."""


class CheckNotPassedError(WeedsetError):
    """A check or a gate said no."""

    exit_code = 3
