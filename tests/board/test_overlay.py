from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tiny_model import CARD, camera, other_card, write_model

from weedset.board.classify import ClassifiedPhoto, classify_photo
from weedset.board.guards import Guards, kept_out
from weedset.board.marks import Mark, stamp
from weedset.board.model import open_model
from weedset.board.overlay import _why_left, draw_overlay, mark_of, write_overlay
from weedset.errors import PhotoError
from weedset.records import Policy

#: Red is CHEAL (to remove), green DAUCS (protected), dull red is CHEAL in doubt, black nothing.
COLOURS = [(255, 0, 0), (0, 255, 0), (120, 0, 0), (0, 0, 0)]
MARKS = [Mark.TREAT, Mark.PROTECTED, Mark.UNSURE, Mark.LEAVE]


def classified(folder: Path, width_px: int = 800) -> tuple[Image.Image, ClassifiedPhoto]:
    """A photo of 4 x 3 cells, one colour per column."""
    model = open_model(write_model(folder / "m.onnx"))
    image = Image.fromarray(np.array([COLOURS] * 3, np.uint8))
    image = image.resize((width_px, width_px * 3 // 4), Image.Resampling.NEAREST)
    image.save(folder / "bed.png")
    policy = Policy("bed", frozenset({"CHEAL"}), frozenset())
    profile = camera(height_mm=400_000 / width_px)
    return image, classify_photo(model, folder / "bed.png", profile, policy)


def test_marks_follow_decisions(tmp_path: Path) -> None:
    _, photo = classified(tmp_path)
    assert [mark_of(cell, photo.policy) for cell in photo.cells] == MARKS * 3


def test_a_weed_that_a_guard_left_is_not_marked_as_a_plant_to_protect(tmp_path: Path) -> None:
    _, photo = classified(tmp_path)
    kept = kept_out(photo, Guards())
    assert [mark_of(cell, kept.policy) for cell in kept.cells[:2]] == [Mark.LEAVE, Mark.PROTECTED]
    assert _why_left(kept) == ["3 left for being beside what must not be hurt"]


def test_marks_differ_without_any_colour() -> None:
    """Grey value and shape alone: any two marks differ in more than a tenth of their pixels,
    or one of them is nearly empty.
    """
    inked = {mark: np.asarray(stamp(mark, 96, 96))[..., 3] > 128 for mark in Mark}
    assert inked[Mark.LEAVE].mean() < 0.02
    for mark in (Mark.TREAT, Mark.UNSURE, Mark.PROTECTED):
        assert inked[mark].mean() > 0.08
        for other in (Mark.TREAT, Mark.UNSURE, Mark.PROTECTED):
            if other is not mark:
                assert (inked[mark] != inked[other]).mean() > 0.1


@pytest.mark.parametrize("width_px", [640, 1296, 4000])
def test_photo_keeps_its_place_and_gets_a_legend(tmp_path: Path, width_px: int) -> None:
    image, photo = classified(tmp_path, width_px)
    picture = draw_overlay(image, photo, CARD)
    assert picture.width == width_px
    assert image.height + 80 < picture.height < 2 * image.height
    changed = np.any(np.asarray(picture)[: image.height] != np.asarray(image), axis=2)
    side = width_px // 4
    treated, left = changed[:side, :side], changed[:side, 3 * side :]
    assert treated.mean() > 0.05
    assert left.mean() < 0.02


@pytest.mark.parametrize(("gsd", "bar_px"), [(0.625, 160), (0.25, 200)])
def test_scale_bar_is_as_long_as_it_says(tmp_path: Path, gsd: float, bar_px: int) -> None:
    """100 mm, or 50 mm where 100 would take more than 40 % of an 800 px wide photo."""
    image, photo = classified(tmp_path)
    photo = replace(photo, scale=replace(photo.scale, gsd_mm_per_px=gsd))
    picture = np.asarray(draw_overlay(image, photo, CARD).convert("L"))
    longest = 0
    for line in picture[image.height : image.height + 60, 400:]:
        edges = np.flatnonzero(np.diff(np.r_[0, line > 200, 0]))
        longest = max([longest, *(edges[1::2] - edges[::2])])
    assert longest == pytest.approx(bar_px, abs=3)


def test_a_reduced_picture_is_marked_at_the_same_places(tmp_path: Path) -> None:
    image, photo = classified(tmp_path)
    small = image.resize((400, 300), Image.Resampling.NEAREST)
    changed = np.any(np.asarray(draw_overlay(small, photo, CARD))[:300] != np.asarray(small), 2)
    assert changed[:100, :100].mean() > 0.05
    assert changed[:100, 300:].mean() < 0.03


def test_too_coarse_is_told_in_the_legend(tmp_path: Path) -> None:
    image, photo = classified(tmp_path)
    bare = tuple(replace(cell, probabilities=(), species=None) for cell in photo.cells)
    without = draw_overlay(image, photo, CARD)
    told = draw_overlay(image, replace(photo, cells=bare), CARD)
    assert told.height > without.height


def test_hostile_texts_do_no_harm(tmp_path: Path) -> None:
    image, photo = classified(tmp_path)
    odd = replace(photo, name="a" * 250 + "\n\x1b[31m.jpg")
    card = other_card(name="b" * 5000, caution="word " * 50_000)
    assert draw_overlay(image, odd, card).height < 2 * image.height


def test_written_whole_and_named_by_digest(tmp_path: Path) -> None:
    _, photo = classified(tmp_path)
    path = write_overlay(tmp_path / "bed.png", photo, CARD, tmp_path / "new" / "folder")
    assert path.name == f"bed-{photo.digest[:8]}.jpg"
    assert [item.name for item in path.parent.iterdir()] == [path.name]
    with Image.open(path) as image:
        assert image.width == 800
        # Nothing of the photo's own EXIF, but that it is drawn (0x010E: ImageDescription).
        assert dict(image.getexif()) == {0x010E: "Drawn by weedset, no photo"}


def test_unwritable_folder(tmp_path: Path) -> None:
    _, photo = classified(tmp_path)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(PhotoError, match="cannot be written"):
        write_overlay(tmp_path / "bed.png", photo, CARD, tmp_path / "file")
