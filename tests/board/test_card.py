"""`weedset card`: a short text for people, the whole of it for programs."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from tiny_model import CARD, write_model
from typer.testing import CliRunner

from weedset.cli import app
from weedset.modelcard import HarmBound, ModelCard, card_from_json, card_to_json


def shown(folder: Path, card: ModelCard = CARD, *options: str) -> str:
    model = write_model(folder / "m.onnx", card)
    result = CliRunner().invoke(app, ["card", str(model), *options])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_people_read_what_a_model_tells_and_how_far_to_trust_it(tmp_path: Path) -> None:
    classes = (*CARD.classes[:3], replace(CARD.classes[3], treat_at=0.5))
    card = replace(
        CARD, classes=classes, mmac=12.9, held_out=("north", "south"), licence="CC-BY-4.0"
    )
    lines = shown(tmp_path, card).splitlines()
    # English names as the EPPO codes have them in weedset/data/species.csv.
    assert lines == [
        "tiny, made on 2026-11-25 with tests",
        "Tells, and from which probability on it is treated where the policy removes it:",
        "  CHEAL  fat hen                treated from 0.90 on",
        "  DAUCS  carrot                 treated from 0.95 on",
        "  STEME  common chickweed       never treated",
        "  1PLAK  some plant, whichever  never treated for that alone",
        "Cells: 50 mm of ground, from photos of 0.1 to 1.6 mm per pixel",
        "Input: 32 x 32 pixels for each cell",
        "Work: 12.9 million multiply-adds for each cell",
        f"Learned from: demo (edition_digest {'0' * 64})",
        "Licence of what it learned from: CC-BY-4.0",
        "Given by: nobody",
        "Held out, to judge it by: 2 sites: north, south",
        "Harm: no bound is known; `weedset bound` finds one, where there are sites enough",
        f"Caution: {card.caution}",
    ]


def test_the_bound_on_harm_is_said_in_words(tmp_path: Path) -> None:
    bound = HarmBound(0.01, 0.9, ("CHEAL",), ("a", "b"), 40, "by a test")
    assert "Harm: With 90% confidence at most 1.00% of the protected cells" in shown(
        tmp_path, replace(CARD, bound=bound)
    )
    unsure = tuple(replace(item, treat_at=None) for item in CARD.classes[:3])
    never = (*unsure, replace(CARD.classes[3], treat_at=0.5))  # which no policy can ask for
    said = shown(tmp_path, replace(CARD, bound=bound, classes=never))
    assert "Harm: it treats nothing: `weedset bound` could not show with 90% confidence" in said
    assert "at most 1.00% of the protected cells of a garden are treated" not in said


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"held_out": ()}, "Held out, to judge it by: nothing, so nobody can tell how good it is"),
        (
            {"held_out": ("0123456789abcdef" * 4,), "split": "photo"},
            "1 photo of gardens that it knows, which flatters it: 0123456789ab\n",
        ),
        (
            {"held_out": tuple(f"s{n}" for n in range(11))},
            "11 sites: s0, s1, s2, s3, s4, s5, s6, s7 and 3 more (--json)\n",
        ),
        ({"givers": ()}, "Given by: nobody who asked to be named\n"),
        ({"name": "a\x1b[31m\nb"}, "a?[31m?b, made on"),
    ],
)
def test_a_strangers_card_is_said_plainly(
    tmp_path: Path, changes: dict[str, object], words: str
) -> None:
    assert words in shown(tmp_path, replace(CARD, **changes))  # type: ignore[arg-type]


def test_programs_get_all_of_it(tmp_path: Path) -> None:
    said = shown(tmp_path, CARD, "--json")
    assert json.loads(said)["classes"][2]["treat_at"] is None
    assert card_from_json(said, "stdout") == CARD
    assert said == card_to_json(CARD) + "\n"
