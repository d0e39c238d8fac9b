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
    """Write the small net, untrained, and the made-up photo of 5 megapixels that `check` uses.

    Weights do not change how many instructions a net takes.
    """
    import numpy as np
    import onnx
    import torch

    from training.backbones import NORMALISATION, build_backbone
    from training.export import write_float_model
    from training.quantize import quantize
    from weedset.board.fitness import made_up_photo
    from weedset.modelcard import CARD_KEY, ClassCard, ModelCard, card_to_json
    from weedset.preprocess import model_input

    codes = ("CHEAL", "STEME", "POAAN", "TAROF", "DAUCS", "LACSA", "BEAVX", "1PLAK")
    card = ModelCard(
        name="untrained",
        made_with="count-instructions",
        made_on="2026-11-25",
        classes=tuple(ClassCard(code, 0.9, 0.5, 0.2) for code in codes),
        input_px=96,
        normalisation=NORMALISATION,
        cell_mm=50.0,
        gsd_min_mm_per_px=0.1,
        gsd_max_mm_per_px=0.6,
        edition="none",
        edition_digest="0" * 64,
        split="site",
        held_out=(),
        licence="CC0-1.0",
        givers=(),
    )
    torch.manual_seed(0)
    write_float_model(build_backbone("small", len(codes)).eval(), 96, folder / "float.onnx")
    tiles = np.random.default_rng(0).integers(0, 256, (64, 96, 96, 3), dtype=np.uint8)
    quantize(folder / "float.onnx", folder / "int8.onnx", model_input(tiles, NORMALISATION))
    net = onnx.load(folder / "int8.onnx")
    onnx.helper.set_model_props(net, {CARD_KEY: card_to_json(card)})
    onnx.save(net, folder / "model.onnx")
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
