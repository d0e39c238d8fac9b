"""Drawings of a report: SVG of our own, with classes that the page gives its colours."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import numpy as np
from sklearn.metrics import precision_recall_curve

from training.calibration import Reliability
from training.evaluation.pairs import Ought
from training.metrics import Probabilities, Targets
from weedset.modelcard import ClassCard
from weedset.records import Action

#: The drawing of one curve: width, height, and the panel inside its axes.
_WIDTH, _HEIGHT = 300, 240
_LEFT, _TOP, _RIGHT, _BOTTOM = 54, 8, 292, 196

#: Below so many cells a point of the reliability curve is drawn hollow: it may lie anywhere.
FEW_CELLS = 10

_WORDS = {
    Ought.REMOVE: "ought to be treated",
    Ought.PROTECT: "ought to be protected",
    Ought.BARE: "bare ground",
}


def decisions_svg(decisions: Mapping[Ought, Mapping[Action, int]]) -> str:
    """Draw what became of the cells: one bar for each thing that ought to be done."""
    width, bar, row = 400, 26, 82
    parts = []
    for index, ought in enumerate(Ought):
        counts = decisions[ought]
        total, top = sum(counts.values()), index * row + 22
        parts.append(_text(0, top - 7, f"{total} cells: {_WORDS[ought]}", "large bold"))
        x = 0.0
        for action in (Action.TREAT, Action.UNSURE, Action.LEAVE):
            if counts[action]:
                part = width * counts[action] / total
                parts.append(_block(action, x, top, part, bar))
                x += part
        told = ", ".join(
            f"{word} {counts[action]}"
            for action, word in (
                (Action.TREAT, "treated"), (Action.UNSURE, "unsure"), (Action.LEAVE, "left"),
            )
        )  # fmt: skip
        parts.append(_text(0, top + bar + 17, told, "large quiet"))
    return _svg(width, 3 * row - 8, "".join(parts))


def precision_recall_svg(targets: Targets, probabilities: Probabilities, item: ClassCard) -> str:
    """Draw precision against recall of one class, with its thresholds as marks.

    `targets` (n,) hold a presence. scikit-learn's curve.
    """
    known = targets >= 0
    truth, found = targets[known] == 1, probabilities[known]
    precision, recall, _ = precision_recall_curve(truth, found)
    # From the surest call on: where recall rises, at the precision of that call, which are the
    # steps that average precision sums.
    recall, precision = recall[::-1], precision[::-1]
    rises = np.flatnonzero(np.diff(recall) > 0) + 1
    steps = [(_n(_across(recall[at])), _n(_up(precision[at]))) for at in rises]
    path = f"M{_LEFT} {steps[0][1]}"
    for (x, y), after in zip(steps, [*steps[1:], None], strict=True):
        if after is None or after[0] != x:  # of many cells, only what can be seen
            path += f"V{y}H{x}"
    base = _n(_up(truth.mean()))
    path += f"V{base}"  # all plants are found: whatever else is called is wrong
    parts = [
        _axes("share of the plants found", "share of calls right"),
        f'<path class="guide" d="M{_LEFT} {base}H{_RIGHT}"/>',
        f'<path class="area" d="{path}V{_BOTTOM}H{_LEFT}Z"/><path class="curve" d="{path}"/>',
    ]
    for threshold, shape in ((item.present_at, _circle), (item.treat_at, _square)):
        if threshold is None or not (called := found >= threshold).any():
            continue
        recalled, right = truth[called].sum() / truth.sum(), truth[called].mean()
        parts.append(shape(_across(recalled), _up(right)))
    return _svg(_WIDTH, _HEIGHT, "".join(parts))


def reliability_svg(curve: Reliability) -> str:
    """Draw how often what was said was true, against how surely it was said."""
    parts = [
        _axes("probability that the model gave", "share that was there"),
        f'<path class="guide" d="M{_LEFT} {_BOTTOM}L{_RIGHT} {_TOP}"/>',
    ]
    places = [(_across(item.mean_probability), _up(item.share_present)) for item in curve.bins]
    line = "L".join(f"{_n(x)} {_n(y)}" for x, y in places)
    parts.append(f'<path class="curve" d="M{line}"/>')
    for item, (x, y) in zip(curve.bins, places, strict=True):
        kind = "hollow" if item.cells < FEW_CELLS else "solid"
        parts.append(f'<circle class="{kind}" cx="{_n(x)}" cy="{_n(y)}" r="5"/>')
    return _svg(_WIDTH, _HEIGHT, "".join(parts))


def _block(action: Action, x: float, top: float, width: float, height: float) -> str:
    """Draw part of a bar: told apart by stripes, dots or nothing, besides colour."""
    box = f'x="{_n(x)}" y="{_n(top)}" width="{_n(width)}" height="{_n(height)}"'
    block = f'<rect class="{action}" {box}/>'
    if action is Action.TREAT:
        for at in np.arange(x + 6, x + width - 3, 9):
            block += f'<path class="stripe" d="M{_n(at)} {_n(top)}v{_n(height)}"/>'
    if action is Action.UNSURE:
        for at in np.arange(x + 5, x + width - 3, 9):
            block += f'<circle class="dot" cx="{_n(at)}" cy="{_n(top + height / 2)}" r="2"/>'
    return block


def _axes(across: str, up: str) -> str:
    parts = []
    for share in (0, 0.25, 0.5, 0.75, 1):
        x, y = _across(share), _up(share)
        parts.append(f'<path class="grid" d="M{_n(x)} {_TOP}V{_BOTTOM}M{_LEFT} {_n(y)}H{_RIGHT}"/>')
        label = f"{share:g}"
        parts.append(_text(x, _BOTTOM + 15, label, "quiet small middle"))
        parts.append(_text(_LEFT - 6, y + 4, label, "quiet small end"))
    parts.append(f'<path class="axis" d="M{_LEFT} {_TOP}V{_BOTTOM}H{_RIGHT}"/>')
    parts.append(_text((_LEFT + _RIGHT) / 2, _HEIGHT - 12, across, "small middle"))
    turned = f'transform="translate(11 {_n((_TOP + _BOTTOM) / 2)}) rotate(-90)"'
    parts.append(f'<text class="small middle" {turned}>{escape(up)}</text>')
    return "".join(parts)


def _circle(x: float, y: float) -> str:
    return f'<circle class="mark" cx="{_n(x)}" cy="{_n(y)}" r="5.5"/>'


def _square(x: float, y: float) -> str:
    return f'<rect class="mark" x="{_n(x - 5)}" y="{_n(y - 5)}" width="10" height="10"/>'


def _text(x: float, y: float, text: str, kind: str) -> str:
    return f'<text class="{kind}" x="{_n(x)}" y="{_n(y)}">{escape(text)}</text>'


def _svg(width: int, height: int, inner: str) -> str:
    return (
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'aria-hidden="true" focusable="false">{inner}</svg>'
    )


def _across(share: float) -> float:
    return _LEFT + float(share) * (_RIGHT - _LEFT)


def _up(share: float) -> float:
    return _BOTTOM - float(share) * (_BOTTOM - _TOP)


def _n(value: float) -> str:
    """Return a place in the drawing, short and always written the same."""
    return f"{value:.1f}".removesuffix(".0")
