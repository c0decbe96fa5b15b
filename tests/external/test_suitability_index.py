"""Suitability against the habitat suitability index method of the US Fish and Wildlife Service, and published values.

Each test says where its numbers come from.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.random_networks import network_of

from barrierrank.habitat import library
from barrierrank.habitat.curves import ClassTable, Curve, combine, curve_of, suitability
from barrierrank.habitat.stages import Attributes, StageSpec, stage_habitat

#: Twomey, Williamson & Nelson 1984, FWS/OBS-82/10.64, table 1 (read there). The table leaves
#: gaps between its classes; what lies in a gap belongs to neither.
CLASSES = {"excellent": (0.8, 1.0), "good": (0.5, 0.7), "fair": (0.2, 0.4), "poor": (0.0, 0.1)}


def curve(species: str, stage: str, attribute: str) -> Curve:
    """Return one curve of the library."""
    made = curve_of(library.entry(species)[stage]["curves"][attribute])
    assert isinstance(made, Curve)
    return made


@pytest.mark.parametrize(
    ("factors", "geometric", "least"),
    [((0.9, 0.6, 0.8), 0.75595, 0.6), ((1.0, 0.8, 0.5, 0.7), 0.72743, 0.5), ((0.9, 0.0, 0.8), 0.0, 0.0)],
)
def test_worked_indices(factors: tuple[float, ...], geometric: float, least: float) -> None:
    # worked by hand from the rules of USFWS 1981 (103 ESM), from memory: (product)^(1/n), or the lowest;
    # (0.9 x 0.6 x 0.8)^(1/3) = 0.432^(1/3) = 0.75595; (1 x 0.8 x 0.5 x 0.7)^(1/4) = 0.28^(1/4) = 0.72743
    column = np.array(factors)[:, None]
    assert combine(column, "geometric_mean")[0] == pytest.approx([geometric], abs=5e-6)
    assert combine(column, "minimum")[0] == pytest.approx([least])
    assert combine(column, "product")[0] == pytest.approx([np.prod(factors)])


def test_one_unsuitable_factor_makes_the_whole_unsuitable() -> None:
    # USFWS 1981 (103 ESM), from memory
    for how in ("geometric_mean", "product", "minimum"):
        assert combine(np.array([[1.0], [1.0], [0.0]]), how)[0].tolist() == [0.0]  # type: ignore[arg-type]


def test_habitat_units_are_index_times_area() -> None:
    # USFWS 1981 (103 ESM), from memory: habitat units = index x area, here of 500 m x 4 m and 250 m x 8 m
    network = network_of([0, 1], [1, 2], length=[500.0, 250.0])
    spec = StageSpec(
        "spawning", "area", "geometric_mean",
        {"a": Curve.of([[0, 0], [1, 1]]), "b": Curve.of([[0, 0], [1, 1]]), "bed": ClassTable.of({"gravel": 1.0})},
    )  # fmt: skip
    known = Attributes(
        {"a": np.array([0.9, 1.0]), "b": np.array([0.6, 0.0]), "width": np.array([4.0, 8.0])},
        {"bed": {"gravel": np.array([0.8, 1.0]), "sand": np.array([0.2, 0.0])}},
    )
    out = stage_habitat(network, spec, known)
    assert out.quality == pytest.approx([0.75595, 0.0], abs=5e-6)
    assert out.amount == pytest.approx([1511.9, 0.0], abs=0.02)


@pytest.mark.parametrize(
    ("m_per_km", "lowest", "highest"),
    [
        # Twomey et al. 1984, table 5 (read there): below 0.5 m/km poor, 1.2 to 13 m/km excellent to fair, above 25 poor
        (0.0, *CLASSES["poor"]),
        (0.49, *CLASSES["poor"]),
        (1.2, CLASSES["fair"][0], CLASSES["excellent"][1]),
        (3.0, *CLASSES["excellent"]),
        (7.0, *CLASSES["excellent"]),
        (13.0, CLASSES["fair"][0], CLASSES["excellent"][1]),
        (25.1, *CLASSES["poor"]),
        (80.0, *CLASSES["poor"]),
    ],
)
def test_white_sucker_and_gradient(m_per_km: float, lowest: float, highest: float) -> None:
    value = suitability(curve("white_sucker", "spawning", "gradient"), np.array([m_per_km / 1000.0]))[0]
    assert lowest - 1e-12 <= value <= highest + 1e-12


def test_white_sucker_stays_usable_over_the_whole_published_range() -> None:
    # Twomey et al. 1984, table 5 (read there): 1.2 to 13 m/km excellent to fair
    value = suitability(curve("white_sucker", "spawning", "gradient"), np.linspace(0.0012, 0.013, 200))
    assert value.min() >= CLASSES["fair"][0]
    assert value.max() == 1.0


def test_white_sucker_eggs_and_temperature() -> None:
    # Twomey et al. 1984 (read there): best hatch at 15, falls below 9 and above 17, lethal at 6 and 24 deg C
    eggs = curve("white_sucker", "spawning", "temperature")
    at = dict(
        zip(
            (6.0, 9.0, 15.0, 17.0, 24.0),
            suitability(eggs, np.array([6.0, 9.0, 15.0, 17.0, 24.0])),
            strict=True,
        )
    )
    assert at[6.0] == at[24.0] == 0.0
    assert at[15.0] == 1.0
    falling = suitability(eggs, np.linspace(6.0, 9.0, 50)), suitability(eggs, np.linspace(24.0, 17.0, 50))
    assert all((np.diff(s) > 0.0).all() for s in falling)


def test_pike_and_temperature() -> None:
    # Inskip 1982, FWS/OBS-82/10.17 (read there): spawning at 8 to 12, no movement upstream below 5.5 deg C
    pike = curve("northern_pike", "spawning", "temperature")
    assert suitability(pike, np.array([5.4, 5.5, 8.0, 10.0, 12.0])).tolist() == [0.0, 0.0, 1.0, 1.0, 1.0]


def test_lamprey_embryos_and_temperature() -> None:
    # Rodriguez-Munoz et al. 2001, J. Fish Biol. 58:475-486 (abstract read): fertilised to hatch 0, 61, 89, 91, 89 % at
    # 7, 11, 15, 19, 23 deg C; hatch to burrowing 58, 70, 70 % at 15, 19, 23, none at 11
    s = suitability(curve("sea_lamprey", "spawning", "temperature"), np.array([7.0, 11.0, 15.0, 19.0, 23.0]))
    assert s[0] == 0.0
    assert (np.diff(s) >= 0.0).all()
    assert s[1] <= CLASSES["poor"][1]
    # survival from egg to burrowing is 0.89 x 0.58 = 0.52 at 15, and 0.91 x 0.70 = 0.64 at 19: in proportion 0.81
    assert s[2] / s[3] == pytest.approx(0.516 / 0.637, abs=0.05)
