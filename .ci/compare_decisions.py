"""Compare what two machines decided; see emulate-a53. Exit 1 where they differ.

    python compare_decisions.py HERE THERE [DECISION]
    python compare_decisions.py --memory CHECK
    python compare_decisions.py --rash MODEL OUT

With DECISION, at least LEAST_OF_A_KIND such decisions must be among those compared.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from pathlib import Path
from typing import Any

LEAST_CELLS = 200
LEAST_OF_A_KIND = 5
MOST_MB = 200


def cells(path: str) -> dict[tuple[str, str, int, int], dict[str, Any]]:
    """Return the cells of a file of JSON Lines by photo and place; names recur among gardens."""
    found, digest = {}, ""
    for line in Path(path).read_text().splitlines():
        record = json.loads(line)
        if record["record"] == "photo":
            digest = record["digest"]
        else:
            found[digest, record["photo"], record["row"], record["col"]] = record
    return found


def compare(here: str, there: str, wanted: str | None = None) -> str | None:
    """Print what was compared; return why it is not good, or None."""
    one, other = cells(here), cells(there)
    if one.keys() != other.keys() or len(one) < LEAST_CELLS:
        return f"{len(one)} and {len(other)} cells: not the same ones, or below {LEAST_CELLS}"
    differ = [at for at in one if one[at]["decision"] != other[at]["decision"]]
    most = max(
        abs(p - other[at]["probabilities"][code])
        for at in one
        for code, p in one[at]["probabilities"].items()
        if code in other[at]["probabilities"]
    )
    kinds = Counter(cell["decision"] for cell in one.values())
    asked = sum(bool(cell["probabilities"]) for cell in one.values())
    sys.stdout.write(
        f"{len(one)} cells, {asked} of them asked of the model, decisions {dict(kinds)}: "
        f"{len(differ)} decided otherwise; probabilities differ by {most:.4f} at most\n"
    )
    if differ:
        return f"decided otherwise: {differ[:5]}"
    if wanted and kinds[wanted] < LEAST_OF_A_KIND:
        return f"only {kinds[wanted]} cells were decided to {wanted}, below {LEAST_OF_A_KIND}"
    return None


def memory(path: str) -> str | None:
    """Print the peak memory of a check; return why it is not good, or None."""
    peak_mb = json.loads(Path(path).read_text())["peak_mb"]
    sys.stdout.write(f"{peak_mb:.0f} MB at most for a photo of 5 megapixels\n")
    return f"that is more than {MOST_MB} MB" if peak_mb > MOST_MB else None


def rash(model: str, out: str) -> None:
    """Write a model file whose card dares to treat and doubts little: for no machine."""
    import onnx

    net = onnx.load(model)
    properties = {item.key: item.value for item in net.metadata_props}
    card = json.loads(properties["weedset.card"])
    for item in card["classes"]:
        item.update(treat_at=0.2, present_at=1.0, doubt_at=0.9)
    onnx.helper.set_model_props(net, {**properties, "weedset.card": json.dumps(card)})
    onnx.save(net, out)


def main(asked: list[str]) -> str | None:
    """Do what is asked for; return what is not good, or None."""
    if asked[0] == "--memory":
        return memory(asked[1])
    if asked[0] == "--rash":
        rash(*asked[1:])
        return None
    return compare(*asked)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
