"""Compare what two machines decided; see emulate-a53. Exit 1 where they differ."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

LEAST_CELLS = 200
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


def compare(here: str, there: str) -> str | None:
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
    kinds = sorted({cell["decision"] for cell in one.values()})
    asked = sum(bool(cell["probabilities"]) for cell in one.values())
    sys.stdout.write(
        f"{len(one)} cells, {asked} of them asked of the model, decisions {', '.join(kinds)}: "
        f"{len(differ)} decided otherwise; probabilities differ by {most:.4f} at most\n"
    )
    return f"decided otherwise: {differ[:5]}" if differ else None


def memory(path: str) -> str | None:
    """Print the peak memory of a check; return why it is not good, or None."""
    peak_mb = json.loads(Path(path).read_text())["peak_mb"]
    sys.stdout.write(f"{peak_mb:.0f} MB at most for a photo of 5 megapixels\n")
    return f"that is more than {MOST_MB} MB" if peak_mb > MOST_MB else None


if __name__ == "__main__":
    first, second = sys.argv[1:]
    sys.exit(memory(second) if first == "--memory" else compare(first, second))
