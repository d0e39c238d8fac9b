"""What must hold of a picture, and around a target, before anything may be treated.

Applied after the rule per cell, and only ever turns decisions into LEAVE, with the reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from weedset.board.classify import ClassifiedCell, ClassifiedPhoto
from weedset.board.decide import is_probability
from weedset.board.keepout import gap_mm, needed_mm
from weedset.lens import Floats
from weedset.records import Action, Decision, Policy

#: Squared levels of grey, across and down: below, there is little but the rounding of levels.
_LEAST_DIFFERENCE = 4.0


@dataclass(frozen=True, slots=True)
class Guards:
    """What is good enough to act on; None turns a guard off.

    `least_detail` and `least_brightness` to `most_brightness` speak of `Look`. `keep_out_mm`
    is how far from a plant to protect, or one without a name, the middle of a treated cell
    must stay: the reach of the tool. A photo older than `stale_after_ms` is not acted on.
    All of them common practice, no source; docs/machines.md tells what detail was measured.
    """

    least_detail: float | None = 0.1
    least_brightness: float | None = 0.15
    most_brightness: float | None = 0.85
    keep_out_mm: float | None = 10.0
    stale_after_ms: float | None = 1000.0


@dataclass(frozen=True, slots=True)
class Look:
    """How a picture is as a whole: `brightness` 0 to 1, and `detail`, see `look_at`."""

    brightness: float
    detail: float


def look_at(image: Image.Image) -> Look:
    """Measure the middle of a decoded picture (half of each side).

    `detail` is how much grey differs between neighbours (1 px apart) as a share of how much
    between places 4 px apart, both squared: about 1/16 where everything is blurred over
    several pixels, 1 where pixels have nothing to do with each other, 0 where there is hardly
    any difference at all. Unlike a variance it does not depend on the ground's contrast. Noise
    raises it: a dark and noisy picture is for the brightness to find.
    """
    width, height = image.size
    middle = image.crop((width // 4, height // 4, width - width // 4, height - height // 4))
    grey = np.asarray(middle.convert("L"), dtype=np.int16)
    far = _differences(grey, 4)
    detail = _differences(grey, 1) / far if far >= _LEAST_DIFFERENCE else 0.0
    return Look(float(grey.mean()) / 255, detail)


def _differences(grey: NDArray[np.int16], apart: int) -> float:
    if min(grey.shape) <= apart:
        return 0.0
    across = (grey[:, apart:] - grey[:, :-apart]).astype(np.float32)
    down = (grey[apart:] - grey[:-apart]).astype(np.float32)
    return float(np.square(across).mean() + np.square(down).mean())


def picture_fault(look: Look, guards: Guards) -> str | None:
    """Return why nothing in a picture may be acted on, or None where it is good enough."""
    dark, light, detail = guards.least_brightness, guards.most_brightness, guards.least_detail
    if dark is not None and look.brightness < dark:
        return f"too little light: brightness {look.brightness:.2f}, least {dark:g}"
    if light is not None and look.brightness > light:
        return f"too much light: brightness {look.brightness:.2f}, most {light:g}"
    if detail is not None and not look.detail >= detail:
        return f"blurred: detail {look.detail:.2f}, least {detail:g}"
    return None


def stale(age_ms: float, guards: Guards) -> str | None:
    """Return why a decision comes too late for its photo, or None where it does not.

    A photo from the future means a clock that was set: nobody knows how old it is.
    """
    limit = guards.stale_after_ms
    if limit is None or 0 <= age_ms <= limit:
        return None
    if age_ms < 0:
        return "stale: the photo is from the future, so a clock is wrong"
    return f"stale: the photo is {age_ms / 1000:.1f} s old, at most {limit / 1000:g} s is allowed"


#: How the reason ends where a target is too near to what must not be hurt.
_KEPT_CLEAR = "mm are to be kept"


def left_alone(photo: ClassifiedPhoto, reason: str) -> ClassifiedPhoto:
    """Return the photo with every cell left alone for one reason."""
    decision = Decision(Action.LEAVE, reason)
    cells = tuple(replace(cell, decision=decision) for cell in photo.cells)
    return replace(photo, cells=cells, fault=reason)


def kept_out(photo: ClassifiedPhoto, guards: Guards) -> ClassifiedPhoto:
    """Return the photo with targets left alone that are too near to what must not be hurt.

    That is a cell in which the rule saw a species to protect, or a plant without a name, of
    which the model's answer was no probability, or that is seen too coarsely to ask the model.
    The plant may stand anywhere in its cell, and lie off by twice its position's uncertainty;
    where the profile does not tell that, one sigma is taken to be the side of a cell. The
    target's own does not count: the tool goes where the target was seen, right or wrong.
    Ground beyond the photo's edge is not kept clear of.
    """
    if guards.keep_out_mm is None:
        return photo
    shy = [cell for cell in photo.cells if cell.too_coarse or must_not_be_hurt(cell, photo.policy)]
    if not shy:
        return photo
    cell_mm = photo.grid.cell_mm
    places = np.array([(cell.x_mm, cell.y_mm) for cell in shy])
    off_mm = np.array([cell.uncertainty_mm for cell in shy], np.float64)  # None is NaN
    needed = needed_mm(guards.keep_out_mm, off_mm, cell_mm)
    return replace(
        photo,
        cells=tuple(
            _clear_of(cell, shy, places, needed, cell_mm)
            if cell.decision.action is Action.TREAT
            else cell
            for cell in photo.cells
        ),
    )


def beside_in_words(photo: ClassifiedPhoto) -> str:
    """Return how many targets `kept_out` left alone, nothing where it left none."""
    beside = sum(cell.decision.reason.endswith(_KEPT_CLEAR) for cell in photo.cells)
    return f"{beside} left for being beside what must not be hurt" if beside else ""


def must_not_be_hurt(cell: ClassifiedCell, policy: Policy) -> bool:
    """Say whether a cell holds, or may hold, a plant that is not to be removed.

    That is where the decision turned on a species, and on none that may be removed, or where
    the model's answer is no probability: nobody knows what such a cell holds. Of one that is
    too coarse another frame may tell.
    """
    if cell.species is not None:
        return cell.species not in policy.remove - policy.protect
    return not all(map(is_probability, cell.probabilities))


def _clear_of(
    cell: ClassifiedCell,
    shy: Sequence[ClassifiedCell],
    places: Floats,
    needed: Floats,
    cell_mm: float,
) -> ClassifiedCell:
    gap = gap_mm(places, (cell.x_mm, cell.y_mm), cell_mm)
    worst = int(np.argmin(gap - needed))
    if gap[worst] >= needed[worst]:
        return cell
    other = shy[worst]
    reason = (
        f"{cell.species} is here, but {other.species or 'anything'} may be "
        f"{gap[worst]:.0f} mm away (row {other.row} col {other.col}), "
        f"and {needed[worst]:.0f} {_KEPT_CLEAR}"
    )
    return replace(cell, decision=Decision(Action.LEAVE, reason))


def guarded(photo: ClassifiedPhoto, look: Look, guards: Guards) -> ClassifiedPhoto:
    """Return the photo with what the guards allow of its decisions."""
    if fault := picture_fault(look, guards):
        return left_alone(photo, fault)
    return kept_out(photo, guards)
