"""What a model says of tiles, as suggestions: never labels until a person accepts them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from weedset.board.decide import scale_fits
from weedset.board.model import BoardModel, open_model
from weedset.errors import ModelError
from weedset.preprocess import resize_tile
from weedset.records import ANY_PLANT, Origin, Photo, Statement, Verdict
from weedset.server.index import TileIndex
from weedset.settings import Workspace
from weedset.store import open_store


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A statement that a model would make, and how sure it is of all of it together."""

    statement: Statement
    sureness: float


def open_adviser(path: Path, workspace: Workspace) -> BoardModel:
    """Open a model to suggest labels. Raises ModelError where it is for cells of another size."""
    model = open_model(path)
    if abs(model.card.cell_mm - workspace.cell_mm) > 0.01 * workspace.cell_mm:
        raise ModelError(
            f"was made for cells of {model.card.cell_mm:g} mm, not of {workspace.cell_mm:g} mm",
            where=str(path),
            fix="use a model trained on cells of this size, or label without suggestions",
        )
    return model


def too_coarse(model: BoardModel, workspace: Workspace) -> int:
    """Return how many photos show the ground too coarsely for a model: it is not asked there."""
    with open_store(workspace) as store:
        return sum(not _fits(model, photo) for photo in store.photos())


def _fits(model: BoardModel, photo: Photo) -> bool:
    return scale_fits(model.card, photo.scale.gsd_mm_per_px) is None


class Suggester:
    """A model with its answers for the tiles of an index, as far as they are known."""

    def __init__(self, model: BoardModel, index: TileIndex) -> None:
        self.model = model
        self._index = index
        self.answers = np.full((len(index), len(model.card.codes)), np.nan, np.float16)
        self.fits = np.asarray([_fits(model, photo) for photo in index.photos], np.bool_)

    def learn(self, places: NDArray[np.intp], tiles: list[NDArray[np.uint8]]) -> None:
        """Ask the model about tiles (side, side, 3) and keep the answers."""
        side = self.model.card.input_px
        stacked = np.stack([resize_tile(tile, side) for tile in tiles])
        self.answers[places] = self.model.probabilities(stacked)

    def suggestion(self, place: int) -> Suggestion | None:
        """Return what the model would say of a tile; None where it was not asked yet."""
        answers = self.answers[place].astype(float)
        if np.isnan(answers).any():
            return None
        present: set[str] = set()
        any_plant = False
        sureness = 1.0
        for item, p in zip(self.model.card.classes, answers.tolist(), strict=True):
            seen = p >= item.present_at
            sureness = min(sureness, p if seen else 1 - p)
            if seen and item.code == ANY_PLANT:
                any_plant = True
            elif seen:
                present.add(item.code)
        statement = Statement(
            annotator=self.model.card.name,
            origin=Origin.SUGGESTION,
            verdict=Verdict.PLANTS if present or any_plant else Verdict.BARE,
            present=frozenset(present),
            unknown_plant=any_plant and not present,
        )
        return Suggestion(statement, max(0.0, sureness))

    def doubt(self) -> NDArray[np.float32]:
        """Return for each tile how unsure the model is, 0 to 1; NaN where it was not asked."""
        doubts = 1 - np.abs(2 * self.answers.astype(np.float32) - 1)
        return np.asarray(doubts.max(axis=1), np.float32)

    def held_out(self, place: int) -> bool:
        """Tell whether the model neither learned from nor was tuned on this tile."""
        card = self.model.card
        batch, photo = self._index.batch_of(place), self._index.photo_of(place)
        return (batch.site if card.split == "site" else photo.digest) in card.held_out
