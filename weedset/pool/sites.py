"""Which sites a model learns from, is tuned on and is judged by: once said, it stays so.

A site gets its split when its first contribution is accepted, and the journal keeps it. Sites
that show the same pictures go together. Beyond that each split first gets one site, and then
the split is chosen that brings tiles, sites, species and stages closest to the shares wanted;
where that leaves a choice, the digest of the site decides.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from weedset.digests import bytes_digest
from weedset.errors import CheckNotPassedError
from weedset.pool.standing import Standing, is_open
from weedset.pool.twins import Place

#: The share of the tiles that each split should have. Common practice, no source.
SHARES = {"train": 0.6, "validation": 0.15, "test": 0.25}


def choose_split(new: Standing, items: Iterable[Standing]) -> str:
    """Return the split for the site of `new`, which has none yet.

    `items` are the contributions that were accepted before.
    """
    features = {split: Counter[str]() for split in SHARES}
    sites: dict[str, set[str]] = {split: set() for split in SHARES}
    for item in items:
        if item.split:
            features[item.split].update(item.counts)
            features[item.split]["tiles"] += item.tiles
            sites[item.split].add(item.site)
    for split in SHARES:
        features[split]["sites"] = len(sites[split])
    added = Counter(dict(new.counts)) + Counter({"tiles": new.tiles, "sites": 1})
    tie = {split: bytes_digest(f"{new.site} {split}".encode()) for split in SHARES}
    empty = [split for split in SHARES if not sites[split]]
    return min(
        empty or SHARES,
        key=lambda split: (round(_imbalance(features, added, split), 9), tie[split]),
    )


def _imbalance(features: Mapping[str, Counter[str]], added: Counter[str], to: str) -> float:
    """Return how far from the wanted shares all would be with `added` in the split `to`."""
    names = set(added).union(*features.values())
    total = 0.0
    for name in names:
        here = {split: features[split][name] + (split == to) * added[name] for split in SHARES}
        whole = sum(here.values()) or 1
        total += sum((here[split] / whole - share) ** 2 for split, share in SHARES.items())
    return total / len(names)


def split_of(new: Standing, items: Sequence[Standing], groups: Iterable[tuple[Place, ...]]) -> str:
    """Return the split of a contribution that is to be accepted.

    `items` are the contributions of `groups`, `new` among them. Raises CheckNotPassedError
    where it shows the same pictures as sites of different splits: then no split is right.
    """
    splits: dict[str, str] = {}  # split -> a batch that calls for it
    for group in groups:
        here = [items[place.number] for place in group]
        if new in here:
            splits |= {item.split: item.batch for item in here if item.split}
    own = {item.split: item.batch for item in items if item.site == new.site and item.split}
    splits |= own
    if len(splits) > 1:
        named = " and ".join(f"{batch} ({split})" for split, batch in sorted(splits.items()))
        raise CheckNotPassedError(
            f"shows the same pictures, or the same site, as {named}: a model would be judged "
            "by what it learned from",
            where=new.batch,
            fix="refuse it, or ask its giver to leave those pictures out",
        )
    if splits:
        return next(iter(splits))
    # What is kept apart for its licence makes editions of its own, so it is balanced apart.
    return choose_split(new, [item for item in items if is_open(item) == is_open(new)])


def require_no_leak(items: Sequence[Standing], groups: Iterable[tuple[Place, ...]]) -> None:
    """Raise CheckNotPassedError where twins, or a site, straddle two splits."""
    of_site: dict[str, Standing] = {}
    for item in items:
        if not item.split:
            continue  # withdrawn before it was accepted
        first = of_site.setdefault(item.site, item)
        if first.split != item.split:
            raise _leak(first, item)
    for group in groups:
        here = [items[place.number] for place in group if items[place.number].split]
        for item in here[1:]:
            if item.split != here[0].split:
                raise _leak(here[0], item)


def _leak(first: Standing, later: Standing) -> CheckNotPassedError:
    return CheckNotPassedError(
        f"shows the same site or pictures as {first.batch}, but is in {later.split} and the "
        f"other in {first.split}",
        where=later.batch,
        fix="withdraw one of them, then freeze again",
    )
