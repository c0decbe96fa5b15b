"""What actions are for."""

from __future__ import annotations

import numpy as np
import pytest

from barrierrank.ranking.purpose import purposes

ROLES = ("invasive", "native", "native")


def test_purposes_by_hand() -> None:
    gains = [
        [-5.0, 0.0, 0.0],  # the invader loses
        [0.0, 3.0, 0.0],  # a native gains
        [-5.0, 0.0, 3.0],
        [0.0, 0.0, 0.0],
        [5.0, 3.0, 0.0],  # a removal: lets natives through, whoever else comes
        [-5.0, -3.0, 0.0],  # a new barrier: keeps out, whoever else is stopped
        [5.0, -3.0, 0.0],  # only harm
        [np.nan, np.nan, 1.0],
    ]
    assert purposes(gains, ROLES, habitat=[10.0, 10.0, 10.0]).tolist() == [
        "keep out", "let through", "both", "neither", "let through", "keep out", "neither", "let through",
    ]  # fmt: skip


def test_rounding_is_no_purpose() -> None:
    habitat = np.array([1e6, 1e6])
    gains = np.array([[-1e-6, 1e-6], [-1.0, 1e-6], [-1e-6, 1.0]])
    assert purposes(gains, ["invasive", "native"], habitat=habitat).tolist() == [
        "neither",
        "keep out",
        "let through",
    ]
    # relative to the habitat of each row
    each = np.array([[1e-3, 1e-3]] * 3)
    assert purposes(gains, ["invasive", "native"], habitat=each).tolist() == ["both"] * 3


def test_shapes_and_roles_are_checked() -> None:
    with pytest.raises(ValueError, match="a column for each of the 1 roles"):
        purposes(np.zeros((2, 2)), ["native"], habitat=[1.0])
    with pytest.raises(ValueError, match="'pest' was given; allowed are"):
        purposes(np.zeros((2, 1)), ["pest"], habitat=[1.0])  # type: ignore[list-item]
    assert purposes(np.zeros((0, 1)), ["native"], habitat=[1.0]).shape == (0,)
