"""How many planted wrong labels a review finds: `weedset doubts` on a workspace of real photos.

    python tests/benchmarks/label_doubts.py WORKSPACE [SHARE] [SEEDS]

The labels of the workspace are taken for true (those from masks nearly are). In a share of
the tiles (5 % if not said otherwise) the label is replaced by another one: bare ground or a
single species, drawn evenly; nothing is written. Prints how many of them are among the first
5 % and 10 % of the list (recall), how many of those are planted (precision), and the same for
what the program flags. Real labels have errors of their own, so precision is a lower bound.
Below it the same for a rival on the same embeddings: votes of look-alikes from other photos
(Wilson 1972, IEEE Trans. Syst. Man Cybern. 2:408-421). At last the commonest species is taken
for the next one throughout, in one photo.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sklearn.preprocessing import normalize

from training.doubting.confident import against, disputed
from training.doubting.doubts import Embeddings, class_table, judged_classes, out_of_fold, surprise
from training.doubting.embeddings import embed_tiles
from training.doubting.told import Told, of_workspace
from weedset.records import Statement, Verdict
from weedset.settings import open_workspace

VOTERS = 10


def plant(told: Sequence[Told], share: float, seed: int) -> tuple[list[Told], NDArray[np.bool_]]:
    """Return the tiles with wrong labels in some, and which."""
    rng = np.random.default_rng(seed)
    codes = sorted({code for item in told for code in item.statement.present})
    answers = [frozenset[str](), *(frozenset({code}) for code in codes)]
    plain = [i for i, item in enumerate(told) if not item.statement.doubtful]
    wrong = np.zeros(len(told), np.bool_)
    wrong[rng.choice(plain, round(share * len(told)), replace=False)] = True
    changed = list(told)
    for i in np.flatnonzero(wrong).tolist():
        others = [answer for answer in answers if answer != told[i].statement.present]
        present = others[rng.integers(len(others))]
        verdict = Verdict.PLANTS if present else Verdict.BARE
        said = Statement(told[i].statement.annotator, told[i].statement.origin, verdict, present)
        changed[i] = replace(told[i], statement=said)
    return changed, wrong


def confuse(told: Sequence[Told], photo: str) -> tuple[list[Told], NDArray[np.bool_]]:
    """Return the tiles with the commonest species taken for the next one in one photo."""
    counts = Counter(code for item in told for code in item.statement.present)
    (one, _), (other, _) = counts.most_common(2)
    changed, wrong = list(told), np.zeros(len(told), np.bool_)
    for i, item in enumerate(told):
        if item.photo == photo and item.statement.present == {one}:
            said = replace(item.statement, present=frozenset({other}), stages=())
            changed[i], wrong[i] = replace(item, statement=said), True
    return changed, wrong


def votes(seen: Embeddings, labels: NDArray[np.int8], groups: Sequence[str]) -> NDArray[np.float64]:
    """Return the share of look-alikes in other groups that show each class."""
    near = normalize(seen) @ normalize(seen).T
    near[np.asarray(groups)[:, None] == np.asarray(groups)[None]] = -np.inf
    found = np.zeros(labels.shape)
    for i in range(labels.shape[1]):
        known = np.where(labels[:, i] >= 0, near, -np.inf)
        voters = np.argpartition(-known, VOTERS, axis=1)[:, :VOTERS]
        found[:, i] = (labels[voters, i].sum(axis=1) + 0.5) / (VOTERS + 1)
    return found


def show(name: str, scores: NDArray[np.float64], wrong: NDArray[np.bool_]) -> None:
    """Print recall and precision at both budgets."""
    order, parts = np.argsort(-scores, kind="stable"), []
    for budget in (0.05, 0.10):
        first = wrong[order[: round(budget * len(wrong))]]
        parts.append(f"{budget:.0%}: recall {first.sum() / wrong.sum():.3f}, precision ")
        parts[-1] += f"{first.mean():.3f}"
    print(f"  {name:34s}{'   '.join(parts)}")


def main(workspace: Path, share: float, seeds: int) -> None:
    """Print the table."""
    gathered = of_workspace(open_workspace(workspace))
    told, groups = gathered.told, [item.photo for item in gathered.told]
    seen = embed_tiles(gathered.pictures)
    print(f"{len(told)} tiles of {len(set(groups))} photos, {share:.0%} of the labels made wrong")
    for seed in range(seeds):
        changed, wrong = plant(told, share, seed)
        names, _ = judged_classes(changed)
        labels = class_table(changed, names)
        found = out_of_fold(seen, labels, groups)
        flagged = np.stack([disputed(labels[:, i], found[:, i]) for i in range(len(names))]).any(0)
        print(
            f"seed {seed}: {flagged.sum()} flagged, recall {wrong[flagged].sum() / wrong.sum():.3f}"
            f", precision {wrong[flagged].mean():.3f}"
        )
        show("others by logistic regression", surprise(against(labels, found)), wrong)
        show(
            "votes of 10 look-alikes",
            surprise(against(labels, votes(seen, labels, groups))),
            wrong,
        )
    for photo in sorted(set(groups))[::4]:
        changed, wrong = confuse(told, photo)
        names, _ = judged_classes(changed)
        labels = class_table(changed, names)
        found = out_of_fold(seen, labels, groups)
        flagged = np.stack([disputed(labels[:, i], found[:, i]) for i in range(len(names))]).any(0)
        rates = {name: flagged[np.asarray(groups) == name].mean() for name in set(groups)}
        most = max(rate for name, rate in rates.items() if name != photo)
        print(
            f"one species taken for another in one photo, {wrong.sum()} tiles: "
            f"{flagged[wrong].mean():.3f} of them flagged; of all its labels {rates[photo]:.3f}, "
            f"of those of any other photo {most:.3f} at most"
        )


if __name__ == "__main__":
    main(
        Path(sys.argv[1]),
        float(sys.argv[2]) if len(sys.argv) > 2 else 0.05,
        int(sys.argv[3]) if len(sys.argv) > 3 else 3,
    )
