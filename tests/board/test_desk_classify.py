"""`weedset classify` at the desk leaves alone what a board would leave alone."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image
from tiny_model import CARD, write_model
from typer.testing import CliRunner

from tests.conftest import SavePhoto
from weedset.cli import app
from weedset.modelcard import HarmBound


def classified(photo: Path, model: Path, camera: Path, policy: Path) -> tuple[list[str], str]:
    """Return the reasons of all cells, and what was said."""
    words = ["classify", photo, "--model", model, "--camera", camera, "--policy", policy, "--json"]
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    records = [json.loads(line) for line in result.stdout.splitlines()]
    cells = [record for record in records if record["record"] == "cell"]
    return [f"{cell['decision']}: {cell['reason']}" for cell in cells], result.stderr


def test_photos_by_night_blurred_or_glaring_are_left_alone(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    model = write_model(tmp_path / "m.onnx")
    policy = tmp_path / "beds.toml"
    policy.write_text('name = "beds"\nremove = ["CHEAL"]\n')
    rng = np.random.default_rng(0)
    # Red, which this model takes for CHEAL, with the grain of a photo that is in focus.
    sharp = np.clip(rng.normal((245, 20, 40), 12, (300, 400, 3)), 0, 255).astype(np.uint8)
    small = Image.fromarray(sharp).resize((40, 30), Image.Resampling.BILINEAR)
    pictures = {
        "day": sharp,
        "night": sharp // 8,
        "glare": 255 - (255 - sharp) // 16,
        "blur": np.asarray(small.resize((400, 300), Image.Resampling.BICUBIC)),
    }
    reasons = {
        name: classified(
            save_photo(f"{name}.png", size=(400, 300), pixels=picture), model, camera_toml, policy
        )[0]
        for name, picture in pictures.items()
    }
    assert all(reason.startswith("treat: CHEAL is here") for reason in reasons["day"])
    assert all(reason.startswith("leave: too little light") for reason in reasons["night"])
    assert all(reason.startswith("leave: too much light") for reason in reasons["glare"])
    assert all(reason.startswith("leave: blurred") for reason in reasons["blur"])


def test_a_bounded_model_says_at_once_that_it_treats_nothing_under_another_policy(
    save_photo: SavePhoto, camera_toml: Path, tmp_path: Path
) -> None:
    bound = HarmBound(0.05, 0.95, ("CHEAL", "STEME"), ("north",), 20, "by hand")
    model = write_model(tmp_path / "m.onnx", card=replace(CARD, bound=bound))
    policy = tmp_path / "beds.toml"
    policy.write_text('name = "beds"\nremove = ["CHEAL"]\n')
    photo = save_photo("day.png", size=(400, 300))
    reasons, said = classified(photo, model, camera_toml, policy)
    assert not any(reason.startswith("treat") for reason in reasons)
    assert "NOTE: nothing is treated, since the model's bound on harm holds for removing" in said


def test_a_photo_that_is_left_alone_as_a_whole_says_why_at_once(
    save_photo: SavePhoto, tmp_path: Path
) -> None:
    coarse = tmp_path / "c.toml"
    gsd = 2 * CARD.gsd_max_mm_per_px
    coarse.write_text(f'name = "c"\n[scale]\ngsd_mm_per_px = {gsd}\n')
    words = ["classify", save_photo(size=(400, 300)), "--camera", coarse]
    words += ["--model", write_model(tmp_path / "m.onnx")]
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    assert f"0 unsure  (too coarse: {gsd:.3g} mm per px, while the model" in result.stdout
