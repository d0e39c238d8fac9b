"""The YAML head of a card: facts for programs, and the types of all columns.

Programs that load an edition by its card (the library `datasets` does) would else guess the
types from the first few tiles, and be wrong where these have an empty list.
"""

from __future__ import annotations

from weedset.licences import Licence, hub_fields
from weedset.pool.tilerows import COLUMNS

_TYPES = {str: "string", int: "int64", float: "float64", bool: "bool"}


def card_head(number: int, licence: Licence, tiles: int) -> str:
    """Return the head of the card of an edition, between its two lines of dashes."""
    columns = "".join(_column(name, kind) for name, kind in COLUMNS.items())
    stated = "".join(f"{name}: {value}\n" for name, value in hub_fields(licence).items())
    return f"""{stated}pretty_name: Ground cells, edition {number}
size: {tiles}
dataset_info:
  features:
  - name: jpg
    dtype: image
  - name: json
    struct:
{columns}  - name: __key__
    dtype: string
  - name: __url__
    dtype: string
"""


def _column(name: str, kind: type) -> str:
    if kind is list:
        return f"    - name: {name}\n      list: string\n"
    if kind is dict:
        return (
            f"    - name: {name}\n      list:\n      - name: species\n        dtype: string\n"
            "      - name: stage\n        dtype: int8\n"
        )
    return f"    - name: {name}\n      dtype: {_TYPES[kind]}\n"
