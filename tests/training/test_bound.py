"""Bounded harm: the walk by hand, its words, and the whole way through a real model file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import beta
from toy_garden import BAR, DISC, toy_card

from training.evaluation.bound import WALK, Asked, Bounded, require_boundable, walked
from training.evaluation.bound_file import (
    bound_file,
    bounded_lines,
    bounded_record,
    require_support,
)
from training.evaluation.evaluate import evaluate, trial
from training.evaluation.evaluation_text import evaluation_table
from training.evaluation.outcomes import Outcomes, tabulate
from training.evaluation.pairs import Ought
from training.export import Exported
from training.sources import from_workspace
from weedset.board.model import open_model
from weedset.errors import CheckNotPassedError, ModelError, PolicyError, TrainingError
from weedset.modelcard import ClassCard, ModelCard
from weedset.records import ANY_PLANT, Action, Policy
from weedset.settings import Workspace

POLICY = Policy("beds", frozenset({DISC, "STEME"}), frozenset({BAR}))
CARD = toy_card(
    ClassCard(ANY_PLANT, 0.9, 0.5, 0.1),
    ClassCard(DISC, 0.6, 0.5, 0.1),
    ClassCard("STEME", 0.9, 0.5, 0.1),
    ClassCard(BAR, 0.7, 0.5, 0.1),
    ClassCard("POAAN", None, 0.5, 0.1),
    held_out=("north",),
)


def outcomes(sites: int, protected: list[tuple[float, float]], weeds: int = 10) -> Outcomes:
    """At each site cells to protect with these P(DISC) and P(STEME), and weeds, P(DISC) 0.97."""
    cells = [*protected, *[(0.97, 0.0)] * weeds]
    count = len(cells) * sites
    found = np.zeros((count, 5), np.float32)
    found[:, 1:3] = cells * sites
    surely = found >= np.array([0.9, 0.6, 0.9, 0.7, 2])
    site = np.repeat([f"s{i:03d}" for i in range(sites)], len(cells))
    weed = np.array(([False] * len(protected) + [True] * weeds) * sites)
    return Outcomes(
        codes=CARD.codes,
        treats=(True, True, True, True, False),
        truth=np.zeros((count, 5), np.int8),
        found=found,
        called=found >= 0.5,
        surely=surely,
        stage=np.full((count, 5), -1, np.int8),
        ought=np.where(weed, Ought.REMOVE, Ought.PROTECT).astype(str),
        action=np.where(surely[:, 1:3].any(1), Action.TREAT, Action.LEAVE).astype(str),
        weed=weed,
        crop=~weed,
        strange=np.zeros(count, bool),
        site=site,
        photo=site,
        camera=np.full(count, ""),
    )


def test_the_walk_stops_where_harm_would_be_too_much_to_show() -> None:
    # By hand: of 20 protected cells a site one is taken for a weed at 0.8, harm then 5 %; up
    # to there none is. 60 sites show 5 % without harm, since 0.95^60 = 0.046.
    found = walked(CARD, POLICY, outcomes(60, [(0.8, 0.1)] + [(0.1, 0.1)] * 19), Asked(0.05, 0.95))
    assert found.treat_from == pytest.approx(0.81)
    assert (found.loss, found.loss_at_stop) == (0.0, pytest.approx(0.05))
    assert found.blamed == ((DISC, 60),)
    assert found.treated == 1.0
    assert (len(found.sites), found.cells) == (60, 1200)
    thresholds = {item.code: item.treat_at for item in found.card.classes}
    # STEME keeps its own, which is stricter; what the policy does not remove is never treated.
    assert thresholds == {ANY_PLANT: None, DISC: 0.81, "STEME": 0.9, BAR: None, "POAAN": None}
    bound = found.card.bound
    assert bound is not None
    assert (bound.at_most, bound.confidence, bound.remove) == (0.05, 0.95, (DISC, "STEME"))
    assert (bound.sites, bound.cells) == (found.sites, 1200)
    assert replace(found.card, classes=CARD.classes, bound=None) == CARD


def test_the_card_is_never_made_laxer() -> None:
    found = walked(CARD, POLICY, outcomes(60, [(0.1, 0.89)] * 20), Asked(0.05, 0.95))
    assert found.treat_from == WALK[-1]
    assert found.loss_at_stop is None
    thresholds = {item.code: item.treat_at for item in found.card.classes}
    assert (thresholds[DISC], thresholds["STEME"]) == (0.6, 0.9)


def test_many_cells_of_few_sites_do_not_support_a_bound() -> None:
    # 58 sites of 1000 cells without a single harm: over 58,000 cells the exact bound would be
    # 0.005 %, and yet one site in 20 may be ruined.
    calm = outcomes(58, [(0.1, 0.1)] * 1000, weeds=1)
    assert beta.ppf(0.95, 1, 58_000) < 0.0001
    found = walked(CARD, POLICY, calm, Asked(0.05, 0.95))
    assert found.treat_from is None
    assert all(item.treat_at is None for item in found.card.classes)
    assert (found.sites_to_try, found.sites_as_seen) == (59, 59)
    with pytest.raises(CheckNotPassedError, match="it takes 59: 1 more, with about 1000 more"):
        require_support(found, Path("x.onnx"))
    words = "\n".join(bounded_lines(found, POLICY))
    assert "NOT BOUNDED" in words
    assert "than the average" not in words  # of no bound


def test_a_model_that_harms_too_much_is_told_that_no_number_of_sites_will_do() -> None:
    found = walked(CARD, POLICY, outcomes(80, [(1.0, 0.1)] + [(0, 0)] * 9), Asked(0.05, 0.95))
    assert found.treat_from is None
    assert found.sites_as_seen is None
    with pytest.raises(CheckNotPassedError, match=r"no number of sites .* 10\.00% are treated"):
        require_support(found, Path("x.onnx"))
    assert f"  80 protected cells would be taken for {DISC}" in list(bounded_lines(found, POLICY))


def test_sites_without_protected_cells_say_nothing() -> None:
    some = outcomes(60, [(0.1, 0.1)] * 2)
    bare = outcomes(40, [], weeds=3)
    bare = replace(bare, site=np.char.add("bare", bare.site))
    both = [
        np.concatenate([getattr(part, name) for part in (some, bare)])
        for name in list(some.__dataclass_fields__)[2:]
    ]
    found = walked(CARD, POLICY, Outcomes(CARD.codes, some.treats, *both), Asked(0.05, 0.95))
    assert len(found.sites) == 60
    with pytest.raises(TrainingError, match="no cell to be protected"):
        walked(CARD, POLICY, bare, Asked(0.05, 0.95))


@pytest.mark.parametrize(
    ("card", "policy", "error", "words"),
    [
        (replace(CARD, split="photo"), POLICY, ModelError, "held out by photo, not by site"),
        (CARD, Policy("p", frozenset({"POAAN"}), frozenset()), PolicyError, "removes nothing"),
        (CARD, Policy("p", frozenset(), frozenset()), PolicyError, "removes nothing"),
        (CARD, Policy("p", frozenset({"SENVU"}), frozenset()), PolicyError, "cannot tell"),
    ],
)
def test_what_cannot_be_bounded_is_refused(
    card: ModelCard, policy: Policy, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        require_boundable(card, policy)


def test_a_bounded_model_is_not_bounded_again() -> None:
    found = walked(CARD, POLICY, outcomes(60, [(0, 0)]), Asked(0.05, 0.95))
    with pytest.raises(ModelError, match="has a bound on harm already"):
        require_boundable(found.card, POLICY)


TOY_POLICY = Policy("beds", frozenset({DISC}), frozenset({BAR}))


@pytest.fixture(scope="module")
def bounded(
    exported: Exported, many: Workspace, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Bounded, Path]:
    out = tmp_path_factory.mktemp("bounded") / "safe.onnx"
    asked = Asked(0.1, 0.95)  # without harm 29 sites do: 0.9^29 = 0.047
    found = bound_file(
        exported.path, from_workspace(many), TOY_POLICY, asked, out, "all", ["site00", "site07"]
    )
    return found, out


def test_the_file_that_is_written_does_on_the_board_what_was_found(
    bounded: tuple[Bounded, Path], exported: Exported, many: Workspace
) -> None:
    found, out = bounded
    require_support(found, out)
    assert len(found.sites) == 29
    model = open_model(out)
    assert model.card == found.card
    # The rule on the board, asked anew about every cell, against what the walk worked out.
    tried = trial(open_model(exported.path), from_workspace(many), TOY_POLICY, "all")
    before = tabulate(tried, exported.card, TOY_POLICY)
    kept = ~np.isin(before.site, ["site00", "site07"])
    again = trial(
        replace(model, card=replace(model.card, bound=None)),
        from_workspace(many),
        TOY_POLICY,
        "all",
    )
    after = tabulate(again, model.card, TOY_POLICY)
    assert after.treated.sum() <= before.treated.sum()
    protected = (after.ought == Ought.PROTECT) & kept
    by_site = [after.treated[protected & (after.site == site)].mean() for site in found.sites]
    assert np.mean(by_site) == pytest.approx(found.loss)
    wanted = (after.ought == Ought.REMOVE) & kept
    assert after.treated[wanted].mean() == pytest.approx(found.treated)
    assert found.treated is not None
    assert found.treated > 0.3


def test_sites_of_the_bound_judge_no_more(bounded: tuple[Bounded, Path], many: Workspace) -> None:
    model = open_model(bounded[1])
    judged = evaluate(model, from_workspace(many), TOY_POLICY, "all")
    assert (judged.scores.sites, judged.cells, judged.split) == (2, 126, "unseen")
    assert "of 2 sites, of which it has seen nothing\n" in evaluation_table(judged)
    spent = replace(bounded[0].card.bound, sites=tuple(f"site{i:02d}" for i in range(31)))  # type: ignore[type-var]
    with pytest.raises(TrainingError, match="the bound on harm of toy was found") as caught:
        evaluate(
            replace(model, card=replace(model.card, bound=spent)),
            from_workspace(many),
            TOY_POLICY,
            "all",
        )
    assert "--keep SITE" in caught.value.fix


def test_a_site_must_be_left_to_bound_by(
    exported: Exported, garden: Workspace, tmp_path: Path
) -> None:
    (only,) = exported.card.held_out
    source, asked, out = from_workspace(garden), Asked(0.1, 0.9), tmp_path / "b.onnx"
    with pytest.raises(TrainingError, match=f"keeps {only}, and no other site was held out"):
        bound_file(exported.path, source, TOY_POLICY, asked, out, keep=[only])
    assert not out.exists()


def test_under_another_policy_the_file_treats_nothing(
    bounded: tuple[Bounded, Path], many: Workspace
) -> None:
    other = Policy("other", frozenset({BAR}), frozenset())
    judged = evaluate(open_model(bounded[1]), from_workspace(many), other, "all")
    assert sum(counts[Action.TREAT] for counts in judged.decisions.values()) == 0


def test_the_words_and_the_record_tell_it(bounded: tuple[Bounded, Path]) -> None:
    found = bounded[0]
    words = "\n".join(bounded_lines(found, TOY_POLICY))
    assert "BOUNDED: with 95% confidence at most 10.00%" in words
    assert "29 sites" in words
    assert "A garden may still fare worse than the average" in words
    record = bounded_record(found)
    assert (record["at_most"], record["confidence"]) == (0.1, 0.95)
    assert record["treat_at"][BAR] is None
    assert len(record["sites"]) == 29


def test_a_site_to_keep_that_is_not_there_is_told(
    exported: Exported, garden: Workspace, tmp_path: Path
) -> None:
    out = tmp_path / "x.onnx"
    with pytest.raises(TrainingError, match="nowhere is no site that the bound could use"):
        bound_file(
            exported.path,
            from_workspace(garden),
            TOY_POLICY,
            Asked(0.05, 0.95),
            out,
            keep=["nowhere"],
        )
    assert not out.exists()
