"""Rounding that never flatters: hand arithmetic, and Python's decimal as the reference."""

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from training.figures import rounded_down, rounded_up


@pytest.mark.parametrize(
    ("value", "down", "up"),
    [(0.29, "0.29", "0.29"), (0.2901, "0.29", "0.30"), (0.999, "0.99", "1.00"), (0, "0.00", "0.00"),
     (-0.004, "-0.01", "-0.00"), (12.3456, "12.34", "12.35")],
)  # fmt: skip
def test_by_hand(value: float, down: str, up: str) -> None:
    assert (f"{rounded_down(value, 2):.2f}", f"{rounded_up(value, 2):.2f}") == (down, up)


@given(st.floats(-2000, 2000), st.integers(0, 4))
def test_as_decimal_rounds(value: float, digits: int) -> None:
    step = Decimal(1).scaleb(-digits)
    # What differs from a round number by less than a millionth of a step counts as that.
    exact = round(Decimal(value), digits + 6)
    for ours, way in ((rounded_down, ROUND_FLOOR), (rounded_up, ROUND_CEILING)):
        assert f"{ours(value, digits) + 0.0:.{digits}f}" == str(exact.quantize(step, way) + 0)
