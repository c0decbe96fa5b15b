"""Swimming and leaping, and the species library, against published values.

Each test says where its numbers come from; `quoted` means that the work named was read in another that quotes it.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from barrierrank.habitat import library
from barrierrank.passage import fish
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.kernels_fish import verdict
from barrierrank.project_passage import SwimmingSpec

NAN = float("nan")
NAMES = library.names()
NOT_GIVEN: dict[str, Any] = {
    "length_m": None, "required_drop_m": None, "required_drop_lip_m": None, "leap_m": None, "leap_speed_ms": None,
    "leap_angle_deg": 60.0, "pool_share": 1.25, "pool_least_m": 0.0, "depth_least_m": 0.0, "speed_unit": "m/s",
    "burst": (), "prolonged": (), "velocity_share": 1.0, "warmth_per_deg": 0.0, "warmth_at_c": None,
}  # fmt: skip


def traits(**swimming: Any) -> np.ndarray:
    """Return the traits of a fish."""
    spec: Any = SimpleNamespace(key="fish", swimming=SwimmingSpec(**{**NOT_GIVEN, **swimming}), run=None)
    return fish.traits_of([spec])[0]


def of_library(name: str, **changes: Any) -> np.ndarray:
    """Return the traits of a species of the library."""
    return traits(**{**library.entry(name)["swimming"], **changes})


def meets(
    row: np.ndarray, *, kind: int = f.WEIR, lip: float = 0.0, drop: float = -0.5, depth: float = 1.0, pool: float = NAN,
    speed: float = 0.0, distance: float = 1.0, temp: float = NAN,
) -> int:  # fmt: skip
    """Return what stops a fish; a leap rises as far as the crest stands above the water below."""
    state = np.zeros(f.STATES)
    state[[f.DROP, f.RISE_TO, f.POOL, f.DEPTH, f.DISTANCE]] = drop, max(drop, 0.0), pool, depth, distance
    state[f.SPEED :] = speed
    return int(verdict(kind, lip, state, temp, row))


def held(row: np.ndarray, speed: float, *, burst: bool) -> float:
    """Return how long a speed is held [s]."""
    a, b = (f.BURST_A, f.BURST_B) if burst else (f.PROLONGED_A, f.PROLONGED_B)
    return float(np.exp(row[a] + row[b] * speed))


@pytest.mark.parametrize("name", NAMES)
def test_modes_of_swimming_last_as_long_as_they_are_said_to(name: str) -> None:
    # burst below 20 s, prolonged 20 s to 200 min, sustained beyond: Beamish 1978, Fish Physiology 7, quoted
    row = of_library(name)
    for at, burst in (
        (f.BURST_FROM, True),
        (f.BURST_TO, True),
        (f.PROLONGED_FROM, False),
        (f.PROLONGED_TO, False),
    ):
        low, high = (0.0, 20.0) if burst else (20.0, 12_000.0)
        assert low - 1e-9 <= held(row, row[at], burst=burst) <= high + 1e-9


def test_best_ground_speed_does_not_depend_on_the_water() -> None:
    # Castro-Santos 2005, J. Exp. Biol. 208:421-432: over the ground -1 / b, whatever the speed of the water, within a
    # mode; b = -1.5 gives 0.666667 m/s at 1 and 2 m/s, worked out from the formula
    points = [(u, float(np.exp(8.0 - 1.5 * u))) for u in (1.0, 4.0)]
    row = traits(moves="swims", burst=points)
    assert fish.endurance_line(points) == pytest.approx((8.0, -1.5))
    assert fish.best_ground_speed([1.0, 2.0, 3.0], row) == pytest.approx([2 / 3, 2 / 3, 2 / 3])
    # distance = (Us - Uf) T
    assert fish.greatest_distance([1.0, 2.0], row) == pytest.approx(
        [2 / 3 * np.exp(8 - 1.5 * (v + 2 / 3)) for v in (1, 2)]
    )


@pytest.mark.parametrize("name", NAMES)
def test_bursts_are_of_the_order_of_ten_lengths_a_second(name: str) -> None:
    # about 10 lengths/s on average over 27 species: Videler & Wardle 1991, Rev. Fish Biol. Fish. 1:23-40; brook and
    # brown trout sprint at more than 25: Castro-Santos et al. 2013, Can. J. Fish. Aquat. Sci. 70:280-293
    swimming = library.entry(name)["swimming"]
    fastest = of_library(name)[f.BURST_TO] / swimming["length_m"]
    assert fastest == pytest.approx(25.0) if name == "brook_trout" else 2.0 < fastest <= 10.0


def test_leap_heights() -> None:
    # (v sin a)^2 / 2 g, Powers & Orsborn 1985, from memory; heights worked out from the formula, at 90 and 60 degrees
    v = [1.0, 2.0, 3.0, 4.0, 5.0]
    assert fish.leap_height(v, angle_deg=90.0) == pytest.approx([0.051, 0.204, 0.459, 0.816, 1.275], abs=5e-4)
    assert fish.leap_height(v, angle_deg=60.0) == pytest.approx([0.038, 0.153, 0.344, 0.612, 0.956], abs=5e-4)


def test_speeds_that_leaps_take() -> None:
    # sqrt(2 g h), worked out from the formula
    made = fish.leap_speed([0.30, 0.45, 0.635, 0.735], angle_deg=90.0)
    assert made == pytest.approx([2.426, 2.971, 3.529, 3.797], abs=5e-4)


def test_reach_of_a_leap() -> None:
    # v^2 sin 2a / 2 g to the top of the flight, Powers & Orsborn 1985, from memory; at 45 degrees twice the height
    assert fish.leap_reach([2.0, 4.0], angle_deg=45.0) == pytest.approx(
        2.0 * fish.leap_height([2.0, 4.0], angle_deg=45.0)
    )
    assert fish.leap_reach([4.0], angle_deg=90.0) == pytest.approx([0.0], abs=1e-12)


def test_lamprey_short_burst() -> None:
    # 3.96 m/s for up to 5 s by fish of 416 to 480 mm, 8.2 to 9.5 lengths/s: Hanson 1980, quoted
    row = of_library("sea_lamprey")
    assert row[f.BURST_TO] == 3.96
    assert held(row, 3.96, burst=True) == pytest.approx(5.0)
    assert 8.2 <= 3.96 / library.entry("sea_lamprey")["swimming"]["length_m"] <= 9.5


def test_lamprey_bouts_at_weirs_are_not_beyond_the_library() -> None:
    # bouts of 31 s on average between rests of 2 min 25 s: Quintella et al. 2004, J. Fish Biol. 65:961-972. The fish of
    # the library swims as long at some speed above what it holds without end
    row = of_library("sea_lamprey")
    speed = (np.log(31.0) - row[f.PROLONGED_A]) / row[f.PROLONGED_B]
    assert row[f.PROLONGED_FROM] < speed < row[f.PROLONGED_TO]


def test_lamprey_drops() -> None:
    row = of_library("sea_lamprey")
    # a head of 0.66 m was not surmounted: Stauffer 1964, quoted
    assert meets(row, drop=0.66) == f.BY_DROP
    # 0.45 m with a lip of 0.15 m is usual in practice: Lavis et al. 2003, from memory
    assert meets(row, drop=0.45, lip=0.15) == f.BY_DROP
    # 0.30 m is the lower published standard (Reinhardt et al. 2009): the library does not rely on it unless told to
    assert meets(row, drop=0.30, lip=0.15) == f.PASSES
    lower = of_library("sea_lamprey", required_drop_m=0.30, required_drop_lip_m=0.30)
    assert meets(lower, drop=0.30) == f.BY_DROP
    # what passed in ramps (0.10 and 0.15 m, Reinhardt et al. 2009) is not held back by either
    for drop in (0.10, 0.15):
        assert meets(lower, drop=drop) == meets(row, drop=drop) == f.PASSES


def test_the_library_tells_the_whole_range_of_lamprey_drops() -> None:
    # Stauffer 1964 and Hunn & Youngs 1980, quoted; Reinhardt et al. 2009; Lavis et al. 2003, from memory
    text = library.entry_text("sea_lamprey")
    for words in (
        "0.51 m",
        "0.66 m",
        "Stauffer 1964",
        "0.305 m",
        "Hunn & Youngs",
        "0.30 m",
        "Reinhardt et al. 2009",
        "Lavis",
    ):
        assert words in text, words
    told = " ".join(library.about().replace("#", "").split())
    assert "FOR STOPPING AN INVADER IT DOES NOT" in told


def test_a_lip_makes_no_difference_to_lamprey() -> None:
    # found not to be needed: Reinhardt et al. 2009, Lampreys in North America ch. 6
    row = of_library("sea_lamprey")
    for drop in (0.2, 0.44, 0.45, 0.7):
        assert meets(row, drop=drop) == meets(row, drop=drop, lip=0.15)


def test_shallow_water_does_not_stop_lamprey() -> None:
    # ramps wetted 5 to 10 mm deep were passed: Reinhardt & Corniuk 2024, Fishes 9(8):293
    row = of_library("sea_lamprey")
    assert meets(row, depth=0.005) == f.PASSES
    assert meets(row, depth=0.010) == f.PASSES


def test_warm_lamprey_get_farther() -> None:
    # distance rises with temperature: Beamish 1974, J. Fish. Res. Board Can. 31:1353-1358 (direction alone)
    row = of_library("sea_lamprey")
    far = fish.greatest_distance([1.5, 1.5, 1.5], row, temperature=[8.0, 14.0, 20.0])
    assert far[0] < far[1] < far[2]


def test_walleye_speeds() -> None:
    # Peake, McKinley & Scruton 2000, Can. J. Zool. 78:1686-1690: 0.30 to 0.73 m/s for 60 min, 0.43 to 1.14 m/s for
    # 10 min, bursts of 1.60 to 2.60 m/s that do not depend on temperature
    row = of_library("walleye")
    for seconds, low, high in ((3600.0, 0.30, 0.73), (600.0, 0.43, 1.14)):
        speed = (np.log(seconds) - row[f.PROLONGED_A]) / row[f.PROLONGED_B]
        assert low < speed < high
    assert (row[f.BURST_FROM], row[f.BURST_TO]) == (1.60, 2.60)
    fast = fish.greatest_distance([1.5, 1.5], row, temperature=[5.8, 20.5])
    assert fast[0] == fast[1]
    slow = fish.greatest_distance([0.6, 0.6], row, temperature=[5.8, 20.5])
    assert slow[0] < slow[1]


def test_swimming_fifty_metres_of_ones_own_will() -> None:
    # Peake 2008, N. Am. J. Fish. Manage. 28: pike, walleye and white sucker in raceways of 25 to 50 m; culverts shorter
    # than 50 m with up to 1.0 m/s can be passed; at 1.2 m/s pike and walleye fall off, suckers do not
    pike, walleye, sucker = (
        fish.greatest_velocity([50.0], of_library(n))[0] for n in ("northern_pike", "walleye", "white_sucker")
    )
    assert 1.0 <= pike < 1.2
    assert sucker >= 1.2
    # the library's walleye has the speeds of swim chambers, which under-predict what they do of their own will
    assert 0.3 < walleye < 1.0


def test_brook_trout_leaps() -> None:
    # Kondratieff & Myrick 2006, Trans. Am. Fish. Soc. 135:361-370: fish of 15 cm or more leapt 73.5 cm from pools of
    # 40 cm or more; from 10 cm of pool none leapt 43.5 cm or more
    row = of_library("brook_trout")
    assert library.entry("brook_trout")["swimming"]["length_m"] >= 0.15
    assert meets(row, drop=0.735, pool=0.41) == f.PASSES
    assert meets(row, drop=0.635, pool=0.50) == f.PASSES
    assert meets(row, drop=0.75, pool=0.50) == f.BY_LEAP
    assert meets(row, drop=0.435, pool=0.10) == f.BY_POOL
    # the speed such a leap takes is below its sprint of 25 lengths/s (Castro-Santos et al. 2013)
    assert fish.leap_speed([0.735], angle_deg=90.0)[0] < row[f.BURST_TO]
    # fish of 13.1 cm on average leapt 63.5 cm: 27 lengths/s, in line with sprints of more than 25
    assert fish.leap_speed([0.635], angle_deg=90.0)[0] / 0.1309 > 25.0


def test_small_brook_trout_leap_less() -> None:
    # wild fish of 50 to 99 mm passed 20 cm, not 30 cm, from 50 cm of pool: Boise State University 2022, student work
    small = of_library("brook_trout", length_m=0.075, leap_m=0.20)
    assert meets(small, drop=0.20, pool=0.50) == f.PASSES
    assert meets(small, drop=0.30, pool=0.50) == f.BY_LEAP


def test_one_speed_that_is_held_for_one_time() -> None:
    # sauger held 1.24 m/s for 15 s, and 91 % got through 0.51 to 0.92 m/s: Dockery et al. 2017, Can. J. Fish.
    # Aquat. Sci. What that one speed gives against 0.92 m/s: (1.24 - 0.92) x 15 = 4.8 m, worked out from the formula
    row = traits(moves="swims", burst=[(1.24, 15.0)])
    assert fish.greatest_distance([0.92], row) == pytest.approx([4.8])
    assert fish.greatest_velocity([4.8], row) == pytest.approx([0.92])
    # their greatest, 2.19 m/s, is of the order of that of walleye, a near relative
    assert of_library("walleye")[f.BURST_TO] == pytest.approx(2.19, rel=0.25)


def test_sturgeon_are_weak_for_their_length() -> None:
    # weaker than most salmonids per length, bursts not dependent on temperature: Peake et al. 1997, Can. J. Fish.
    # Aquat. Sci. 54:1361-1366; not a jumper: from memory
    row = of_library("lake_sturgeon")
    per_length = row[f.BURST_TO] / library.entry("lake_sturgeon")["swimming"]["length_m"]
    trout = of_library("brook_trout")[f.BURST_TO] / library.entry("brook_trout")["swimming"]["length_m"]
    assert per_length < trout
    assert row[f.LEAPS] == 0.0
    # sprints of shovelnose sturgeon 1.29 to 3.73 m/s: Holmquist et al. 2018, Northwest Sci. 92
    assert 1.29 <= row[f.BURST_FROM] < row[f.BURST_TO] <= 3.73


def test_a_low_head_that_stops_lamprey_stops_others_that_do_not_jump() -> None:
    # assemblages differ above low-head barriers: Porto, McLaughlin & Noakes 1999, quoted
    for name in NAMES:
        wanted = f.PASSES if name == "brook_trout" else f.BY_DROP
        assert meets(of_library(name), drop=0.45) == wanted, name


@pytest.mark.parametrize(
    ("name", "comes", "stays"),
    [
        # Froese & Pauly, FishBase, read for P. marinus: 10 to 18
        ("sea_lamprey", (10.0, 18.0), (2.0,)),
        # Inskip 1982, FWS/OBS-82/10.17: spawning at 8 to 12, no movement upstream below 5.5
        ("northern_pike", (8.0, 12.0), (5.5,)),
        # Kerr et al. 1997, quoted: spawning at 5 to 10, over by 11
        ("walleye", (5.0, 7.5, 10.0), (1.0, 11.5)),
        # Curry & Spacie 1984; Twomey et al. 1984, FWS/OBS-82/10.64: from about 10, streams of 11 to 16
        ("white_sucker", (10.0, 11.0, 16.0), (24.0,)),
        # US Fish and Wildlife Service, Genoa hatchery, quoted: from 11.1
        ("lake_sturgeon", (11.1, 13.0, 15.0), (5.0,)),
    ],
)
def test_runs_are_timed_by_temperature(name: str, comes: tuple[float, ...], stays: tuple[float, ...]) -> None:
    run = library.entry(name)["run"]
    assert run["by"] == "temperature"
    x, weight = np.array(run["curve"]).T
    assert np.interp(comes, x, weight) == pytest.approx(weight.max())
    assert np.interp(stays, x, weight) == pytest.approx(0.0)
