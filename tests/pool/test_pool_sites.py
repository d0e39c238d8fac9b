"""Splits by site: they stay put, and are balanced at least as well as drawing by lot."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from sklearn.model_selection import GroupShuffleSplit

from weedset.errors import CheckNotPassedError
from weedset.pool.sites import SHARES, choose_split, require_no_leak, split_of
from weedset.pool.standing import Standing, State
from weedset.pool.twins import Place


def site(number: int, tiles: int, counts: dict[str, int], split: str = "") -> Standing:
    return Standing(
        digest=f"{number:064x}",
        batch=f"s-{number:016x}-2024-05-04",
        site=f"s-{number:016x}",
        giver="anna",
        rights_holder="Anna",
        licence="CC0-1.0",
        tiles=tiles,
        added_at="2024-05-05T00:00:00Z",
        state=State.ACCEPTED if split else State.WAITING,
        since="2024-05-05T00:00:00Z",
        counts=counts,
        split=split,
    )


def drawn_sites(seed: int) -> list[Standing]:
    rng = np.random.default_rng(seed)
    sites = []
    for number in range(40):
        tiles = int(rng.integers(50, 800))
        counts = {
            code: int(rng.integers(1, tiles)) for code in ("CHEAL", "DAUCS") if rng.random() < 0.7
        }
        if rng.random() < 0.15:
            counts["STEME"] = int(rng.integers(1, tiles))
        sites.append(site(number, tiles, counts))
    return sites


def assigned(sites: list[Standing]) -> list[Standing]:
    done: list[Standing] = []
    for new in sites:
        split = choose_split(new, done)
        done.append(replace(new, split=split, state=State.ACCEPTED))
    return done


def off(sites: list[Standing]) -> float:
    """Return how far each split's share of tiles and species is from what it should be."""
    features = {split: Counter[str]() for split in SHARES}
    for item in sites:
        features[item.split].update({**item.counts, "tiles": item.tiles})
    names = {name for counter in features.values() for name in counter}
    whole = {name: sum(features[split][name] for split in SHARES) for name in names}
    wrong = [
        abs(features[split][name] / whole[name] - share)
        for split, share in SHARES.items()
        for name in names
    ]
    return float(np.mean(wrong))


@pytest.mark.parametrize("seed", range(3))
def test_splits_are_balanced_better_than_by_lot(seed: int) -> None:
    """scikit-learn's GroupShuffleSplit draws whole groups to the same shares, 50 times."""
    sites = drawn_sites(seed)
    lots = []
    groups = np.arange(len(sites))
    for draw in range(50):
        first = GroupShuffleSplit(1, test_size=SHARES["test"], random_state=draw)
        rest, test = next(first.split(groups, groups=groups))
        share = SHARES["validation"] / (1 - SHARES["test"])
        second = GroupShuffleSplit(1, test_size=share, random_state=draw)
        _, validation = next(second.split(rest, groups=rest))
        names = dict.fromkeys(rest, "train") | dict.fromkeys(rest[validation], "validation")
        names |= dict.fromkeys(test, "test")
        lots.append(off([replace(item, split=names[i]) for i, item in enumerate(sites)]))
    assert off(assigned(sites)) < np.median(lots)


def test_the_same_order_gives_the_same_splits() -> None:
    sites = drawn_sites(9)
    assert assigned(sites) == assigned(sites)
    assert {item.split for item in assigned(sites[:3])} == set(SHARES)


def test_a_site_keeps_its_split() -> None:
    done = assigned(drawn_sites(4))
    for item in done[:10]:
        new = replace(item, digest="f" * 64, split="", state=State.WAITING)
        assert split_of(new, [*done, new], []) == item.split


def test_a_leak_is_refused() -> None:
    one = site(1, 5, {}, "train")
    other = site(2, 5, {}, "test")
    require_no_leak([one, other], [(Place(0, "a"), Place(0, "b"))])
    with pytest.raises(CheckNotPassedError, match="is in test and the other in train"):
        require_no_leak([one, other], [(Place(0, "a"), Place(1, "a"))])
    with pytest.raises(CheckNotPassedError, match="same site"):
        require_no_leak([one, replace(one, digest="e" * 64, split="test")], [])
