from pathlib import Path

import pytest

from training.recipe import read_recipe
from weedset.errors import SettingsError

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_recipe_that_is_given_can_be_read_and_bears_its_file_name(path: Path) -> None:
    assert read_recipe(path).name == path.stem


def changed(tmp_path: Path, old: str, new: str) -> Path:
    text = (CONFIGS / "small.toml").read_text()
    assert old in text
    path = tmp_path / "changed.toml"
    path.write_text(text.replace(old, new))
    return path


@pytest.mark.parametrize(
    ("old", "new", "field", "hint"),
    [
        ("epochs =", "epcohs =", "epcohs", "did you mean 'epochs'?"),
        ('"small"\ninput', '"smal"\ninput', "backbone", "did you mean 'small'?"),
        ("input_px = 96", "input_px = 90", "input_px", "try 96"),
        ("dropout =", "# dropout =", "dropout", ""),
        ("batch_size = 64", "batch_size = 1", "batch_size", ""),
    ],
)
def test_a_mistake_is_told_with_file_and_field(
    tmp_path: Path, old: str, new: str, field: str, hint: str
) -> None:
    path = changed(tmp_path, old, new)
    with pytest.raises(SettingsError) as caught:
        read_recipe(path)
    assert caught.value.where == f"{path}: {field}"
    assert caught.value.fix == hint
