"""The species that are drawn, and the value that each has in a mask.

EPPO codes and names are from memory; they have not been checked against EPPO's own list.
The order is the mask value and never changes: append only.
"""

from __future__ import annotations

from dataclasses import dataclass

GROUND = 0


@dataclass(frozen=True)
class Species:
    """One drawn species: mask value (1 to 255), EPPO code, scientific and English name."""

    value: int
    code: str
    scientific_name: str
    name: str


SPECIES: tuple[Species, ...] = (
    Species(1, "DAUCS", "Daucus carota", "carrot"),
    Species(2, "LACSA", "Lactuca sativa", "lettuce"),
    Species(3, "BEAVX", "Beta vulgaris", "beet"),
    Species(4, "CHEAL", "Chenopodium album", "fat hen"),
    Species(5, "STEME", "Stellaria media", "chickweed"),
    Species(6, "POAAN", "Poa annua", "annual meadow-grass"),
    Species(7, "TAROF", "Taraxacum officinale", "dandelion"),
    Species(8, "CAPBP", "Capsella bursa-pastoris", "shepherd's purse"),
    Species(9, "SENVU", "Senecio vulgaris", "groundsel"),
    Species(10, "PLAMA", "Plantago major", "greater plantain"),
    Species(11, "LOLPE", "Lolium perenne", "perennial ryegrass"),
)

VALUE_OF_CODE: dict[str, int] = {species.code: species.value for species in SPECIES}
