"""The check of how many instructions a photo takes says no where they grew; see .ci."""

from __future__ import annotations

import json
import runpy
from pathlib import Path

import pytest

CI = Path(__file__).parents[2] / ".ci"


def compare(counts_file: Path) -> str | None:
    script = runpy.run_path(str(CI / "compare_instructions.py"))
    said: str | None = script["compare"](counts_file, False)
    return said


@pytest.mark.parametrize(("times", "good"), [(0.5, True), (1.0, True), (1.04, True), (1.06, False)])
def test_growth_is_refused(tmp_path: Path, times: float, good: bool) -> None:
    record = CI.parent / "weedset" / "data" / "board-instructions.json"
    before = json.loads(record.read_text())["million_instructions_per_photo"]
    counts = {name: [count] * 3 for name, count in before.items()}
    # As if one part alone had grown, by so much of the whole.
    for name in ("resample", "whole"):
        counts[name] = [count + (times - 1) * before["whole"] for count in counts[name]]
    (tmp_path / "counts.json").write_text(json.dumps(counts))
    said = compare(tmp_path / "counts.json")
    assert (said is None) is good
    if said:
        assert "grown: resample, whole;" in said


def test_the_board_stays_near_what_no_way_round_can_save() -> None:
    """Half-size decoding and the bare runtime, in instructions: at most 1.5 times that."""
    record = CI.parent / "weedset" / "data" / "board-instructions.json"
    found = json.loads(record.read_text())["million_instructions_per_photo"]
    assert found["whole"] <= 1.5 * (found["bare decode"] + found["bare model"])
