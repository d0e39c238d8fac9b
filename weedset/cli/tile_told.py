"""What a person is told of photos that were cut into tiles, and of those that could not be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from weedset.errors import WeedsetError
from weedset.photofiles import AS_JPEG, unread_in
from weedset.planner import SEEN_PX
from weedset.records import CameraProfile, Photo
from weedset.talk import complain, counted, say
from weedset.tiling import CutPhoto

#: EXIF rounds a 35 mm equivalent to whole mm, 2 % at 24 mm, and states that of the full sensor
#: for crops to 16:9, 8 % off: common practice, no source.
_OTHER_LENS = 0.1

#: A tile drawn up from less than this share of its pixels across shows little: no source.
_LEAST_DETAIL = 0.5

#: So many photos with the same fault are named; of more only their number is told.
_NAMED = 3


@dataclass(slots=True)
class Complaints:
    """Says at once what is wrong with a photo, but not the same of a hundred of them."""

    told: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, error: WeedsetError) -> None:
        """Tell of one photo."""
        fault = (error.what, error.fix)
        self.told[fault] += 1
        if self.told[fault] <= _NAMED:
            complain(error)

    @property
    def count(self) -> int:
        """How many photos were told of."""
        return self.told.total()

    def tell_rest(self) -> None:
        """Tell how many more there were with faults that were told."""
        for (what, _), count in self.told.items():
            if count > _NAMED:
                say(f"and {counted(count - _NAMED, 'more photo')}: {what}")


def count_cut(counts: Counter[str], cut: CutPhoto, profile: CameraProfile, tile_px: int) -> None:
    """Count a photo that was cut, and what is odd about it."""
    cell_px = cut.photo.grid.cell_mm / cut.photo.scale.gsd_mm_per_px
    counts["photos"] += 1
    counts["tiles"] += len(cut.tiles)
    counts["other size"] += _is_of_another_size(cut.photo, profile)
    counts["other lens"] += abs((cut.exif_focal_share or 1) - 1) > _OTHER_LENS
    if cell_px < _LEAST_DETAIL * tile_px:
        counts["coarse"] += 1
        leaf_mm = round(SEEN_PX * cut.photo.scale.gsd_mm_per_px)
        counts["leaf mm"] = max(counts["leaf mm"], leaf_mm)


def tell_unread(photos: Sequence[Path]) -> None:
    """Tell which photos in the folders cannot be read here and were passed over."""
    if unread := [item for path in photos if path.is_dir() for item in unread_in(path)]:
        more = f" and {len(unread) - 1} more" if len(unread) > 1 else ""
        say(f"NOTE: passed over what cannot be read here: {unread[0].name}{more}; {AS_JPEG}.")


def tell_end(
    counts: Counter[str], bad: int, dropped: Counter[str], profile: CameraProfile, *, again: bool
) -> None:
    """Tell what became of all photos, and what to look at before labelling."""
    tiles = f"{counted(counts['photos'], 'photo')} cut into {counted(counts['tiles'], 'tile')}"
    say(
        ", ".join(
            [
                tiles if counts["photos"] else "No photo was cut",
                *([f"{counts['known']} already there"] if counts["known"] else []),
                *([f"{bad} could not be cut"] if bad else []),
            ]
        )
        + "."
    )
    if counts["known"] and not again:
        say(
            "What is already there stays as it was cut; --again cuts it anew, for another camera "
            "profile, site or day."
        )
    if counts["described"]:
        say(f"{counted(counts['described'], 'photo')} described anew; the tiles stay as they are.")
    if counts["coarse"]:
        say(
            f"NOTE: {counted(counts['coarse'], 'photo')} "
            f"{'is' if counts['coarse'] == 1 else 'are'} so coarse that no leaf of less than "
            f"{counts['leaf mm']} mm can be seen. If you see smaller ones, the scale in the camera "
            "profile is wrong."
        )
    if counts["other size"]:
        say(
            f"NOTE: {counted(counts['other size'], 'photo')} of another size than the "
            f"{profile.width_px} x {profile.height_px} px of the camera profile: the scale holds "
            "only if that camera took the same view and made the picture smaller."
        )
    if counts["other lens"]:
        say(
            f"NOTE: the EXIF of {counted(counts['other lens'], 'photo')} tells another lens than "
            f"the camera profile, by more than {_OTHER_LENS:.0%}. If another camera took them, or "
            "the same one in another mode, all their cells have the wrong size: see "
            "`weedset camera explain`."
        )
    if dropped:
        words = ", ".join(f"{count} {reason}" for reason, count in dropped.most_common())
        say(f"Cells left out: {words}.")


def _is_of_another_size(photo: Photo, profile: CameraProfile) -> bool:
    spoken_of = {profile.width_px, profile.height_px} - {None}
    return bool(spoken_of) and spoken_of != {photo.width_px, photo.height_px}
