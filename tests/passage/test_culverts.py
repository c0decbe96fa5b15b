"""Culverts: the profile against a fine reference, limits by hand, and what must hold for every barrel."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.special import ellipeinc

from barrierrank.inputs.entrances import CUT_TO_THE_SLOPE, ENTRANCES, SOURCES
from barrierrank.passage import culverts
from barrierrank.passage import kernels_fields as f
from barrierrank.passage.kernels_culverts import culvert_state

G = f.GRAVITY
SPEEDS = slice(f.SPEED, f.SPEED + f.PIECES)


def culvert(shape: int = f.CIRCULAR, **given: float) -> np.ndarray:
    """Return one row: a pipe of 1.2 m, 20 m long, falling 0.1 m, unless told otherwise (column names, lower case)."""
    row = np.full(f.FIELDS, np.nan)
    usual = {
        "kind": f.CULVERT, "shape": shape, "rise": 1.2, "span": 1.2, "length": 20.0, "inlet": 10.1, "outlet": 10.0,
        "barrel_n": 0.024, "barrels": 1, "embedded": 0.0, "entrance_loss": 0.5, "inlet_k": 0.0098, "inlet_m": 2.0,
        "inlet_c": 0.0398, "inlet_y": 0.67, "tail_shift": 0.0,
    }  # fmt: skip
    for name, value in (usual | given).items():
        row[getattr(f, name.upper())] = value
    return row


def state(q: float, row: np.ndarray, tailwater: float) -> np.ndarray:
    """Return the state of one culvert at one discharge."""
    out = np.empty(f.STATES)
    culvert_state(q, row, tailwater, out)
    return out


class Reference:
    """The same physics written out at length: section by textbook formulas, ODE by a stiff solver, no shared code."""

    def __init__(self, row: np.ndarray, q: float) -> None:
        self.row, self.q = row, q / row[f.BARRELS]
        self.clear = row[f.RISE] - row[f.EMBEDDED]
        self.length, self.n = row[f.LENGTH], row[f.BARREL_N]
        self.slope = (row[f.INLET] - row[f.OUTLET]) / self.length
        top = self.clear * (1.0 - 1e-7)
        drowned = self.froude2(top) >= 1.0  # a box may run critical when full
        self.critical = self.clear if drowned else brentq(lambda y: self.froude2(y) - 1.0, 1e-6, top)

    def half(self, z: float) -> tuple[float, float]:
        """Return area and length of wall below a height above the invert."""
        rise, span = self.row[f.RISE], self.row[f.SPAN]
        if self.row[f.SHAPE] == f.BOX:
            return span * z, 2.0 * z
        if self.row[f.SHAPE] == f.CIRCULAR:
            theta = 2.0 * np.arccos(1.0 - 2.0 * z / rise)
            return rise**2 / 8.0 * (theta - np.sin(theta)), rise * theta / 2.0
        t, b = np.arcsin(min(z / rise, 1.0)), span / 2.0
        area = b * rise * (t + np.sin(t) * np.cos(t))
        # arc from the long axis: E taken from the other end of the quarter ellipse
        return area, 2.0 * rise * ellipeinc(t, 1.0 - b**2 / rise**2)

    def top(self, y: float) -> float:
        z, rise, span = y + self.row[f.EMBEDDED], self.row[f.RISE], self.row[f.SPAN]
        if self.row[f.SHAPE] == f.BOX:
            return float(span)
        if self.row[f.SHAPE] == f.CIRCULAR:
            return float(2.0 * np.sqrt(max(z * (rise - z), 0.0)))
        return float(span * np.sqrt(max(1.0 - (z / rise) ** 2, 0.0)))

    def area(self, y: float) -> float:
        e = self.row[f.EMBEDDED]
        return self.half(min(y, self.clear) + e)[0] - self.half(e)[0]

    def friction(self, y: float) -> float:
        e, top = self.row[f.EMBEDDED], min(y, self.clear)
        around = self.half(top + e)[1] - self.half(e)[1] + self.top(0.0)
        if self.row[f.SHAPE] == f.BOX:  # the lid, wetted over the top twentieth
            around += self.row[f.SPAN] * np.clip((top / self.clear - 0.95) / 0.05, 0.0, 1.0)
        elif self.row[f.SHAPE] == f.CIRCULAR and e == 0.0:
            around = self.half(top)[1]
        a = self.area(y)
        return float((self.n * self.q / a) ** 2 / (a / around) ** (4.0 / 3.0))

    def froude2(self, y: float) -> float:
        if y >= self.clear:
            return 0.0
        return float(self.q**2 * self.top(y) / (G * self.area(y) ** 3))

    def force(self, y: float) -> float:
        ys = np.linspace(0.0, min(y, self.clear), 400)
        a = np.array([self.area(v) for v in ys])
        rest = self.area(y) * max(y - self.clear, 0.0)
        return float(np.trapezoid(a, ys) + rest + self.q**2 / (G * self.area(y)))

    def follow(self, y0: float, sign: float, stop: float | None) -> tuple[np.ndarray, np.ndarray]:
        """Integrate dy/ds from one end; `sign` -1 upstream, 1 downstream; until the end or critical depth."""

        def rate(_: float, y: np.ndarray) -> list[float]:
            bed = 0.02 * self.critical  # keeps trial steps off the bed and off the singular point
            v = max(float(y[0]), bed)
            return [sign * (self.slope - self.friction(v)) / (1.0 - self.froude2(v))]

        def reached(_: float, y: np.ndarray) -> float:
            return float(y[0]) - (stop if stop is not None else -1.0)

        reached.terminal = True  # type: ignore[attr-defined]
        s = np.linspace(0.0, self.length, 401)
        run = solve_ivp(rate, (0.0, self.length), [y0], method="LSODA", t_eval=s, events=reached, rtol=1e-7,
                        atol=1e-9, max_step=self.length / 20)  # fmt: skip
        return run.t, run.y[0]

    def speeds(self, tail: float) -> np.ndarray:
        """Return the mean velocities of the pieces."""
        x = np.linspace(0.0, self.length, 401)
        steep = self.slope > 0 and self.friction(self.critical) < self.slope
        down = up = np.full(x.size, np.nan)
        if steep:
            start = min(self.critical * (1 - 1e-3), self.clear * (1 - 1e-6))
            down = self.follow(start, 1.0, None)[1]
        if not steep or tail > self.critical:
            start = max(tail, self.critical * (1 + 1e-3) if self.critical < self.clear else self.clear)
            y = self.follow(start, -1.0, self.critical * (1 + 5e-4) if steep else None)[1]
            up = np.concatenate([y, np.full(x.size - y.size, np.nan)])[::-1]
        y = np.where(np.isnan(up), down, up)
        if steep and not np.isnan(up[-1]):
            wins = np.array(
                [not np.isnan(u) and self.force(u) > self.force(d) for u, d in zip(up, down, strict=True)]
            )
            y = np.where(wins, up, down)
        v = np.array([self.q / self.area(d) for d in y])
        k = (x.size - 1) // f.PIECES
        return np.array([np.trapezoid(v[i * k : (i + 1) * k + 1]) / k for i in range(f.PIECES)])


def random_culvert(rng: np.random.Generator) -> tuple[np.ndarray, float, float]:
    """Return a row, a discharge and a tailwater of any regime."""
    shape = int(rng.integers(3))
    rise = rng.uniform(0.5, 2.5)
    length = rng.uniform(8.0, 50.0)
    row = culvert(
        shape, rise=rise, span=rise if shape == f.CIRCULAR else rise * rng.uniform(1.0, 3.0), length=length,
        inlet=10.0 + length * rng.choice([rng.uniform(0.0, 0.004), rng.uniform(0.0, 0.05), -0.003]),
        barrel_n=rng.choice([0.012, 0.024, 0.035]), embedded=rng.choice([0.0, 0.0, 0.2]) * rise,
        barrels=rng.integers(1, 3),
    )  # fmt: skip
    q = row[f.BARRELS] * rng.uniform(0.03, 1.0) * rise**1.5 * row[f.SPAN] * 1.2
    tail = 10.0 + row[f.EMBEDDED] + rng.choice([-0.5, rng.uniform(0.0, 1.6) * rise])
    return row, float(q), float(tail)


@pytest.mark.parametrize("seed", range(14))
def test_velocities_follow_the_fine_reference(seed: int) -> None:
    row, q, tail = random_culvert(np.random.default_rng(seed))
    got = state(q, row, tail)[SPEEDS]
    wanted = Reference(row, q).speeds(tail - row[f.OUTLET] - row[f.EMBEDDED])
    assert got == pytest.approx(wanted, rel=0.012)


def barrel(row: np.ndarray) -> culverts.Barrels:
    """Return the barrel of a row."""
    one = row[None]
    return culverts.Barrels(one[:, f.SHAPE].astype(int), one[:, f.RISE], one[:, f.SPAN], one[:, f.EMBEDDED])


def test_long_barrel_runs_at_normal_depth() -> None:
    # S = 4/400 = 0.01, n 0.024: mild; far from the outlet the water is uniform
    row = culvert(length=400.0, inlet=14.0)
    normal = culverts.barrel_normal_depth(0.8, 0.01, 0.024, barrel(row))
    area = culverts.barrel_section(normal, barrel(row)).area
    got = state(0.8, row, 8.0)
    assert culverts.barrel_critical_depth(0.8, barrel(row))[0] < normal[0]
    assert got[f.SPEED : f.SPEED + 3] == pytest.approx(0.8 / area[0], rel=3e-3)
    # and speeds up to critical depth at its end
    assert got[f.DEPTH] == pytest.approx(culverts.barrel_critical_depth(0.8, barrel(row))[0])


def test_steep_barrel_runs_down_to_normal_depth() -> None:
    row = culvert(length=200.0, inlet=20.0, barrel_n=0.012)  # S 0.05
    normal = culverts.barrel_normal_depth(1.0, 0.05, 0.012, barrel(row))[0]
    got = state(1.0, row, 9.0)
    assert got[f.DEPTH] == pytest.approx(normal, rel=4e-3)
    assert got[f.SPEED] < got[f.SPEED + 4]
    # perched: from the lip the surface is one normal depth above the invert, which is 1 m above the water below
    assert got[f.DROP] == pytest.approx(1.0)
    assert got[f.RISE_TO] == pytest.approx(1.0 + normal, rel=2e-3)
    assert got[f.DISTANCE] == 200.0


def test_full_barrel_under_tailwater_by_hand() -> None:
    # pipe 1.2 m, A = 1.130973 m2, R = 0.3 m, V = 2 / 1.130973 = 1.768388 m/s, V^2/2g = 0.159443 m
    # friction 19.6133 x 0.024^2 x 20 / 0.3^(4/3) = 1.125058; loss (1.5 + 1.125058) x 0.159443 = 0.418546 m
    got = state(2.0, culvert(), 13.0)
    assert got[SPEEDS] == pytest.approx(1.768388, rel=1e-6)
    assert got[f.HEADWATER] == pytest.approx(13.418546, abs=2e-6)
    assert got[f.DEPTH] == pytest.approx(1.2)
    assert got[f.DROP] == pytest.approx(-3.0)
    assert got[f.RISE_TO] == 0.0
    loss = culverts.full_flow_loss(2.0, 20.0, 0.024, 0.5, barrel(culvert()))
    assert loss == pytest.approx([0.418546], abs=2e-6)


def test_backwater_is_level_in_slow_water() -> None:
    # 10 l/s in a box 2 m wide under 0.8 m of tailwater: the pool reaches in flat; depths 0.8 to 0.7 m
    row = culvert(f.BOX, span=2.0)
    got = state(0.01, row, 10.8)
    assert got[f.HEADWATER] == pytest.approx(10.8, abs=1e-4)
    assert got[f.DEPTH] == pytest.approx(0.7, abs=1e-4)
    assert got[f.SPEED] == pytest.approx(0.01 / (2.0 * 0.71), rel=1e-3)
    assert got[f.SPEED + 4] == pytest.approx(0.01 / (2.0 * 0.79), rel=1e-3)


def test_jump_stands_where_the_forces_are_equal() -> None:
    # wide smooth box on 2 %: fast water above, slow below; across a jump y2 = y1 / 2 (sqrt(1 + 8 Fr^2) - 1) (Belanger)
    row = culvert(f.BOX, rise=3.0, span=4.0, length=100.0, inlet=12.0, barrel_n=0.015)
    q = 8.0
    first = culverts.culvert_profile(np.array([q]), row[None], np.array([9.0]))  # swept: no tailwater
    y1 = first.depth_m[0, 4]
    froude2 = (q / 4.0) ** 2 / (f.GRAVITY * y1**3)
    y2 = y1 / 2.0 * (np.sqrt(1.0 + 8.0 * froude2) - 1.0)
    swept = state(q, row, 10.0 + 0.99 * y2)
    held = state(q, row, 10.0 + 1.3 * y2)
    assert swept[SPEEDS] == pytest.approx(first.velocity_ms[0], rel=1e-9)
    assert held[f.SPEED + 4] < 0.6 * swept[f.SPEED + 4]
    assert held[f.SPEED : f.SPEED + 3] == pytest.approx(swept[f.SPEED : f.SPEED + 3], rel=1e-9)


def test_rising_barrel_holds_a_pool() -> None:
    # the outlet lies 0.3 m above the inlet: still water stands 0.3 m deep at the inlet
    row = culvert(inlet=9.7)
    dry = state(0.0, row, 9.0)
    assert dry[f.HEADWATER] == pytest.approx(10.0)
    assert dry[f.DEPTH] == 0.0
    flowing = culverts.culvert_profile(np.array([0.0, 0.3]), np.stack([row, row]), np.array([9.0, 9.0]))
    assert flowing.depth_m[0] == pytest.approx([0.3, 0.24, 0.18, 0.12, 0.06, 0.0])
    assert np.all(np.diff(flowing.depth_m[1]) < 0.0)
    assert flowing.headwater_m[1] > 10.0 + 1.4 * flowing.least_depth_m[1]


@pytest.mark.parametrize(
    ("tail", "depth", "head"), [(9.0, 0.0, 10.1), (10.05, 0.0, 10.1), (10.7, 0.6, 10.7), (12.0, 1.2, 12.0)]
)
def test_no_flow(tail: float, depth: float, head: float) -> None:
    got = state(0.0, culvert(), tail)
    assert got[f.DEPTH] == pytest.approx(depth)
    assert got[f.HEADWATER] == pytest.approx(head)
    assert got[SPEEDS] == pytest.approx(0.0)
    assert got[f.DROP] == pytest.approx(10.0 - tail)


def test_barrels_share_the_flow() -> None:
    for tail in (9.0, 10.6, 12.0):
        assert state(2.4, culvert(barrels=3), tail) == pytest.approx(state(0.8, culvert(), tail), nan_ok=True)


def test_bed_material_raises_and_narrows_the_barrel() -> None:
    bare, filled = culvert(), culvert(embedded=0.3)
    assert state(0.5, filled, 9.0)[f.DROP] == pytest.approx(1.3)
    assert state(3.0, filled, 14.0)[f.DEPTH] == pytest.approx(0.9)
    assert state(3.0, filled, 14.0)[f.SPEED] > state(3.0, bare, 14.0)[f.SPEED]


def test_pool_is_tailwater_above_its_bed() -> None:
    assert np.isnan(state(0.5, culvert(), 9.5)[f.POOL])
    assert state(0.5, culvert(pool_bed=8.7), 9.5)[f.POOL] == pytest.approx(0.8)


@pytest.mark.parametrize(
    "name", ["shape", "rise", "length", "inlet", "outlet", "barrel_n", "barrels", "embedded"]
)
def test_nan_in_nan_out(name: str) -> None:
    assert np.isnan(state(0.5, culvert(**{name: np.nan}), 10.2)).all()


@pytest.mark.parametrize(("name", "value"), [("rise", 0.0), ("length", -1.0), ("barrel_n", 0.0), ("barrels", 0.0),
                                             ("embedded", 1.2), ("embedded", -0.1), ("shape", 7.0)])  # fmt: skip
def test_impossible_measures_are_nan(name: str, value: float) -> None:
    assert np.isnan(state(0.5, culvert(**{name: value}), 10.2)).all()


def test_unknown_inlet_leaves_the_barrel_known() -> None:
    got = state(0.5, culvert(inlet_k=np.nan), 9.0)
    assert np.isnan(got[f.HEADWATER])
    assert np.delete(got, [f.HEADWATER, f.POOL]) == pytest.approx(
        np.delete(state(0.5, culvert(), 9.0), [f.HEADWATER, f.POOL])
    )
    assert np.isnan(state(np.nan, culvert(), 9.0)).all()
    assert np.isnan(state(0.5, culvert(), np.nan)).all()


SHAPES = st.sampled_from([f.CIRCULAR, f.BOX, f.ARCH])
SLOPES = st.one_of(st.floats(-0.03, 0.1), st.sampled_from([0.0, 1e-6, -1e-6, 0.004, 0.02]))


@st.composite
def rows(draw: st.DrawFn) -> np.ndarray:
    """Return any culvert."""
    rise = draw(st.floats(0.3, 4.0))
    length = draw(st.floats(3.0, 200.0))
    inlet = ENTRANCES[draw(st.sampled_from(sorted(ENTRANCES)))]
    return culvert(
        draw(SHAPES), rise=rise, span=rise * draw(st.floats(0.6, 4.0)), length=length,
        inlet=10.0 + length * draw(SLOPES), barrel_n=draw(st.floats(0.009, 0.07)),
        embedded=rise * draw(st.sampled_from([0.0, 0.0, 0.1, 0.5])), barrels=draw(st.integers(1, 4)),
        entrance_loss=inlet.loss, inlet_k=inlet.k, inlet_m=inlet.m, inlet_c=inlet.c, inlet_y=inlet.y,
    )  # fmt: skip


TAILS = st.one_of(st.floats(-3.0, 8.0), st.sampled_from([0.0, -1.0, 0.5]))
FLOWS = st.floats(-6.0, 2.0).map(lambda e: 10.0**e)


@settings(max_examples=400, deadline=None)
@given(rows(), FLOWS, TAILS)
def test_what_holds_for_every_barrel(row: np.ndarray, q: float, above: float) -> None:
    tail, before = row[f.OUTLET] + above, row.copy()
    got = state(q, row, tail)
    np.testing.assert_array_equal(row, before)
    assert np.isfinite(np.delete(got, f.POOL)).all()
    clear = row[f.RISE] - row[f.EMBEDDED]
    each, b = np.array([q / row[f.BARRELS]]), barrel(row)
    full = culverts.barrel_section(clear, b).area[0]
    assert 0.0 <= got[f.DEPTH] <= clear
    # the same water everywhere: no piece is slower than a full barrel, none faster than where it is least deep
    least = culverts.barrel_section(got[f.DEPTH], b).area[0]
    assert got[SPEEDS].min() >= each[0] / full * (1 - 1e-9)
    assert got[SPEEDS].max() <= each[0] / least * (1 + 5e-3)
    assert got[f.HEADWATER] >= max(tail, row[f.INLET] + row[f.EMBEDDED]) - 1e-6
    critical = culverts.barrel_critical_depth(each, b)[0]
    energy = critical + (each[0] / culverts.barrel_section(critical, b).area[0]) ** 2 / (2.0 * G)
    bed = max(row[f.INLET], row[f.OUTLET]) + row[f.EMBEDDED]
    assert got[f.HEADWATER] >= (bed + energy) * (1 - 1e-4)  # no flow with less than least energy
    assert got[f.RISE_TO] >= 0.0
    if tail >= row[f.OUTLET] + row[f.EMBEDDED] + clear:
        assert got[f.RISE_TO] == pytest.approx(0.0, abs=1e-9) or critical < clear


@settings(max_examples=150, deadline=None)
@given(rows(), TAILS, st.floats(-5.0, 1.5))
def test_headwater_never_falls_with_discharge(row: np.ndarray, above: float, start: float) -> None:
    q = 10.0 ** np.linspace(start, start + 0.6, 120)
    head = np.array([state(v, row, row[f.OUTLET] + above)[f.HEADWATER] for v in q])
    assert np.diff(head).min() >= -2e-3 * row[f.RISE]


@settings(max_examples=150, deadline=None)
@given(rows(), FLOWS, st.floats(-1.0, 4.0))
def test_tailwater_never_lowers_headwater_nor_speeds_up(row: np.ndarray, q: float, above: float) -> None:
    tails = row[f.OUTLET] + above + np.linspace(0.0, 0.5, 60)
    got = np.array([state(q, row, v) for v in tails])
    assert np.diff(got[:, f.HEADWATER]).min() >= -2e-3 * row[f.RISE]
    assert np.diff(got[:, SPEEDS].mean(axis=1)).max() <= 5e-3 * got[:, SPEEDS].max()


def test_headwater_is_continuous_across_regimes() -> None:
    # steep to mild, free to full, inlet to outlet control: halving the step of discharge must halve the greatest step
    rng = np.random.default_rng(3)
    for _ in range(12):
        row, _, tail = random_culvert(rng)
        steps = []
        for count in (400, 1600):
            q = np.geomspace(0.01, 12.0, count)
            steps.append(np.abs(np.diff([state(v, row, tail)[f.HEADWATER] for v in q])).max())
        assert steps[1] < 0.35 * steps[0]


def test_entrances_are_whole() -> None:
    assert set(SOURCES) == set(ENTRANCES)
    assert set(ENTRANCES) >= CUT_TO_THE_SLOPE
    for word, one in ENTRANCES.items():
        assert word == word.lower() == word.strip()
        assert len(one) == 5
        assert 0.0 < one.loss < 1.0
        for shape in (f.CIRCULAR, f.BOX, f.ARCH):
            row = culvert(shape, rise=1.0, span=1.5)
            q = np.linspace(0.01, 4.0, 200)
            many = culverts.Barrels(np.full(200, shape), np.ones(200), np.full(200, 1.5), np.zeros(200))
            head = culverts.inlet_control_head(q, 0.01, one[:4], many)
            assert np.all(np.diff(head) > 0.0), (word, shape)
            assert np.diff(head).max() < 0.12
        assert np.isfinite(state(1.0, row, 9.0)[f.HEADWATER])


def test_profile_speaks_of_control_and_refuses_wrong_shapes() -> None:
    row = culvert(length=60.0, inlet=13.0, barrel_n=0.012)
    out = culverts.culvert_profile(np.array([4.0, 4.0]), np.stack([row, row]), np.array([9.0, 18.0]))
    assert out.inlet_control.tolist() == [True, False]
    assert out.depth_m.shape == (2, f.PIECES + 1)
    with pytest.raises(ValueError, match="36 columns"):
        culverts.culvert_profile(1.0, np.zeros((2, 3)), 1.0)
    with pytest.raises(ValueError, match="one number or 1"):
        culverts.barrel_critical_depth(np.ones(3), barrel(row))
    with pytest.raises(ValueError, match="arrays of one length"):
        culverts.Barrels(np.zeros(2, dtype=int), np.ones(3), np.ones(2), np.zeros(2))
    with pytest.raises(ValueError, match="K, M, c, Y"):
        culverts.inlet_control_head(1.0, 0.0, [1.0, 2.0], barrel(row))
