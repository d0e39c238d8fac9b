"""Make what count-instructions counts on, and compare what it found with the record.

    python compare_instructions.py --make FOLDER
    python compare_instructions.py [--record] COUNTS_FILE

Exit 1 where a photo takes more instructions than the record and LIMIT allow.
"""

from __future__ import annotations

import json
import statistics
import sys
from importlib.metadata import version
from pathlib import Path

RECORD = Path(__file__).parents[1] / "weedset" / "data" / "board-instructions.json"

#: How much more is too much. Repeated counts differ by 0.0005 at most; the rest is room for
#: another release of a library, of which the record keeps the versions.
LIMIT = 0.05

PACKAGES = ("numpy", "pillow", "onnxruntime")


def make(folder: Path) -> None:
    """Write the small net, untrained, and the made-up photo of 5 megapixels that `check` uses."""
    from tests.benchmarks.untrained_model import write_untrained
    from weedset.board.fitness import made_up_photo

    write_untrained(folder)
    # 670 x 502 mm of ground: 13 x 10 whole cells.
    (folder / "camera.toml").write_text('name = "5 MP"\n[scale]\ngsd_mm_per_px = 0.2585\n')
    made_up_photo(2592, 1944, folder / "photo.jpg")


def compare(counts_file: Path, record: bool) -> str | None:
    """Print the counts and, unless they are to be recorded, what is wrong with them or None."""
    counts = {
        name: round(statistics.mean(found), 1)
        for name, found in json.loads(counts_file.read_text()).items()
    }
    bare = counts["bare decode"] + counts["bare model"]
    sys.stdout.write(
        f"million instructions per photo on a Cortex-A53: {counts}\n"
        f"in all {counts['whole'] / bare:.2f} times the bare decoding and the bare model\n"
    )
    versions = {name: version(name) for name in PACKAGES}
    if record:
        found = {"million_instructions_per_photo": counts, "versions": versions}
        RECORD.write_text(json.dumps(found, indent=1) + "\n")
        return None
    kept = json.loads(RECORD.read_text())
    before = kept["million_instructions_per_photo"]
    change = counts["whole"] / before["whole"] - 1
    sys.stdout.write(f"that is {change:+.2%} of what is recorded, at most {LIMIT:+.0%} allowed\n")
    if change <= LIMIT:
        return None
    grown = [name for name, count in counts.items() if count > before.get(name, 0) * (1 + LIMIT)]
    return (
        f"a photo takes {counts['whole']:.0f} million instructions, {before['whole']:.0f} are "
        f"recorded; grown: {', '.join(grown)}; recorded with {kept['versions']}, now {versions}; "
        "if that is worth it, run .ci/count-instructions --record"
    )


def main(asked: list[str]) -> str | None:
    """Do what is asked for; return what is wrong, or None."""
    if asked[0] == "--make":
        make(Path(asked[1]))
        return None
    return compare(Path(asked[-1]), asked[0] == "--record")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
