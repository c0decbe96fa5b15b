"""Hydraulics of culverts and gates on arrays: sections, normal and critical depth, inlet and outlet control, profiles.

SI units. Depths are above what the water runs on: the invert, or the bed material where a barrel is embedded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from barrierrank.passage import kernels_barrels as kb
from barrierrank.passage import kernels_culverts as kc
from barrierrank.passage import kernels_fields as f
from barrierrank.passage import kernels_gates as kg

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Barrels:
    """Barrels of n culverts.

    Parameters
    ----------
    shape : (n,) int64
        CIRCULAR, BOX or ARCH of `kernels_fields`. An arch is the upper half of an ellipse on a flat bed.
    rise_m, span_m : (n,) float64
        Height and width inside [m]; the span of a circle is not used.
    embedded_m : (n,) float64
        Depth of bed material inside [m].

    Raises
    ------
    ValueError
        The arrays differ in length.
    """

    shape: NDArray[np.int64]
    rise_m: FloatArray
    span_m: FloatArray
    embedded_m: FloatArray

    def __post_init__(self) -> None:
        sizes = [np.asarray(a).shape for a in (self.shape, self.rise_m, self.span_m, self.embedded_m)]
        if len(sizes[0]) != 1 or any(size != sizes[0] for size in sizes):
            msg = f"shape, rise_m, span_m and embedded_m must be arrays of one length; given: {sizes}"
            raise ValueError(msg)

    def __len__(self) -> int:
        return len(self.shape)

    def numbers(self) -> FloatArray:
        """Return the measures side by side, (n, 4)."""
        columns = (self.shape, self.rise_m, self.span_m, self.embedded_m)
        return np.column_stack([np.asarray(c, dtype=np.float64) for c in columns])


@dataclass(frozen=True, eq=False)
class Section:
    """Wetted sections of n barrels: `area` [m2], `perimeter` [m], `top_width` [m] (0 where full)."""

    area: FloatArray
    perimeter: FloatArray
    top_width: FloatArray

    @property
    def radius(self) -> FloatArray:
        """Hydraulic radius [m]; NaN where dry."""
        with np.errstate(invalid="ignore"):
            return self.area / self.perimeter


@dataclass(frozen=True, eq=False)
class CulvertFlow:
    """Flow through n culverts.

    Parameters
    ----------
    depth_m : (n, PIECES + 1) float64
        At the inlet, between the pieces, at the outlet [m]; where a barrel is full, that of the pressure line.
    velocity_ms : (n, PIECES) float64
        Mean velocity of each piece, inlet first [m/s].
    least_depth_m : (n,) float64
        Least depth of water along the barrel [m].
    headwater_m : (n,) float64
        Elevation of the water above [m].
    inlet_control : (n,) bool
        Whether the inlet, not the barrel, decides how high that stands.
    """

    depth_m: FloatArray
    velocity_ms: FloatArray
    least_depth_m: FloatArray
    headwater_m: FloatArray
    inlet_control: NDArray[np.bool_]


def _column(values: ArrayLike, n: int, name: str) -> FloatArray:
    """Return n numbers; one number stands for all."""
    array = np.asarray(values, dtype=np.float64)
    if array.shape not in ((), (n,)):
        msg = f"{name} must be one number or {n}, one for each barrel; given: shape {array.shape}"
        raise ValueError(msg)
    return np.ascontiguousarray(np.broadcast_to(array, (n,)))


def barrel_section(depth_m: ArrayLike, barrels: Barrels) -> Section:
    """Work out the wetted section of each barrel at a depth.

    Parameters
    ----------
    depth_m : float or (n,) array_like
        Above the bed [m]; from the clear rise on the barrel is full and its whole wall wetted.
    barrels : Barrels
        n of them.

    Returns
    -------
    Section
        NaN where the depth is negative or NaN, or a barrel's measures are impossible.

    Raises
    ------
    ValueError
        `depth_m` is neither one number nor n.
    """
    out = kb.sections(_column(depth_m, len(barrels), "depth_m"), barrels.numbers())
    return Section(out[:, 0], out[:, 1], out[:, 2])


def barrel_ratios(depth_m: ArrayLike, barrels: Barrels) -> dict[str, FloatArray]:
    """Compare partly full flow with full flow at the same slope and Manning's n.

    Parameters
    ----------
    depth_m : float or (n,) array_like
        Above the bed [m], above 0.
    barrels : Barrels

    Returns
    -------
    dict
        `area`, `radius`, `velocity` and `discharge`, each over that of the full barrel, (n,). Chow (1959), ch. 6.

    Raises
    ------
    ValueError
        `depth_m` is neither one number nor n.
    """
    part = barrel_section(depth_m, barrels)
    full = barrel_section(np.asarray(barrels.rise_m, dtype=np.float64), barrels)
    area, radius = part.area / full.area, part.radius / full.radius
    velocity = np.cbrt(radius * radius)
    return {"area": area, "radius": radius, "velocity": velocity, "discharge": area * velocity}


def barrel_normal_depth(
    discharge_m3s: ArrayLike, slope: ArrayLike, roughness: ArrayLike, barrels: Barrels
) -> FloatArray:
    """Find the depth of uniform flow with a free surface by Manning's equation.

    Parameters
    ----------
    discharge_m3s : float or (n,) array_like
        Of one barrel [m3/s].
    slope : float or (n,) array_like
        Fall over length [-].
    roughness : float or (n,) array_like
        Manning's n [s/m^(1/3)], of wall and bed together.
    barrels : Barrels
        n of them.

    Returns
    -------
    (n,) float64
        [m]; the lesser where two depths carry the discharge; inf where none does (the barrel is level, rises, or
        runs full); NaN where something is NaN or impossible.

    Raises
    ------
    ValueError
        An argument is neither one number nor n.

    Notes
    -----
    Manning (1891) as in Chow (1959), ch. 6. The lid of a box counts as wetted little by little over the top
    twentieth of its rise.
    """
    n = len(barrels)
    q, s = _column(discharge_m3s, n, "discharge_m3s"), _column(slope, n, "slope")
    return kb.depths(q, _column(roughness, n, "roughness"), s, barrels.numbers(), True)


def barrel_critical_depth(discharge_m3s: ArrayLike, barrels: Barrels) -> FloatArray:
    """Find the depth at which Q^2 T = g A^3, that of least energy (Chow 1959, ch. 4).

    Parameters
    ----------
    discharge_m3s : float or (n,) array_like
        Of one barrel [m3/s].
    barrels : Barrels
        n of them.

    Returns
    -------
    (n,) float64
        [m], at most the clear rise; NaN where something is NaN or impossible.

    Raises
    ------
    ValueError
        `discharge_m3s` is neither one number nor n.
    """
    n = len(barrels)
    q = _column(discharge_m3s, n, "discharge_m3s")
    return kb.depths(q, q, q, barrels.numbers(), False)


def inlet_control_head(
    discharge_m3s: ArrayLike, slope: ArrayLike, form: ArrayLike, barrels: Barrels, *, mitred: bool = False
) -> FloatArray:
    """Work out the head above the bed at the inlet where the inlet throttles the flow.

    Parameters
    ----------
    discharge_m3s : float or (n,) array_like
        Of one barrel [m3/s].
    slope : float or (n,) array_like
        Fall over length [-].
    form : (4,) or (n, 4) array_like
        K, M, c, Y; those of usual inlets are in `barrierrank.inputs.entrances`.
    barrels : Barrels
        n of them.
    mitred : bool
        The inlet is cut to the slope of the bank: its head is corrected by +0.7 S in place of -0.5 S.

    Returns
    -------
    (n,) float64
        [m]; 0 at no flow, NaN where something is NaN or impossible.

    Raises
    ------
    ValueError
        An argument does not fit the number of barrels.

    Notes
    -----
    FHWA HDS-5 (2012), appendix A, form 1: up to 1.811 Q / (A D^0.5) = 3.5 unsubmerged, from 4.0 submerged, a straight
    line between. Where the barrel is embedded, A and D are those above the bed material.
    """
    n = len(barrels)
    forms = np.asarray(form, dtype=np.float64)
    if forms.shape not in ((4,), (n, 4)):
        msg = f"form must be K, M, c, Y, once or for each of {n} barrels; given: shape {forms.shape}"
        raise ValueError(msg)
    part = (0.7 if mitred else -0.5) * _column(slope, n, "slope")
    forms = np.ascontiguousarray(np.broadcast_to(forms, (n, 4)))
    return kb.inlet_heads(_column(discharge_m3s, n, "discharge_m3s"), part, forms, barrels.numbers())


def full_flow_loss(
    discharge_m3s: ArrayLike, length_m: ArrayLike, roughness: ArrayLike, loss: ArrayLike, barrels: Barrels
) -> FloatArray:
    """Work out the head lost in a full barrel: at the inlet, by friction and at the outlet.

    Parameters
    ----------
    discharge_m3s : float or (n,) array_like
        Of one barrel [m3/s].
    length_m : float or (n,) array_like
        [m]
    roughness : float or (n,) array_like
        Manning's n [s/m^(1/3)].
    loss : float or (n,) array_like
        K_e, share of the velocity head lost at the inlet.
    barrels : Barrels
        n of them.

    Returns
    -------
    (n,) float64
        (1 + K_e + 2 g n^2 L / R^(4/3)) V^2 / 2g [m] (FHWA HDS-5, 2012, ch. 3). The water above stands this much higher
        than a tailwater that covers the outlet.

    Raises
    ------
    ValueError
        An argument is neither one number nor n.
    """
    n = len(barrels)
    full = barrel_section(np.asarray(barrels.rise_m, dtype=np.float64), barrels)
    rough, long = _column(roughness, n, "roughness"), _column(length_m, n, "length_m")
    speed = _column(discharge_m3s, n, "discharge_m3s") / full.area
    friction = 2.0 * f.GRAVITY * rough**2 * long / np.cbrt(full.radius) ** 4
    share = 1.0 + _column(loss, n, "loss") + friction
    return cast(FloatArray, share * speed**2 / (2.0 * f.GRAVITY))


def culvert_profile(discharge_m3s: ArrayLike, numbers: FloatArray, tailwater_m: ArrayLike) -> CulvertFlow:
    """Follow the water through culverts.

    Parameters
    ----------
    discharge_m3s : float or (n,) array_like
        Of the stream, shared evenly by the barrels [m3/s].
    numbers : (n, FIELDS) float64
        Culverts, columns as in `kernels_fields`.
    tailwater_m : float or (n,) array_like
        Elevation of the water below [m].

    Returns
    -------
    CulvertFlow
        NaN where a measure is missing or impossible; `headwater_m` NaN where the inlet's coefficients are.

    Raises
    ------
    ValueError
        An argument does not fit the number of culverts.

    Notes
    -----
    Gradually varied flow by direct steps (Chow 1959, ch. 10) from the controls, with a hydraulic jump where momentum
    places it; pressure flow where the water touches the crown. Contraction behind the inlet, air, and water over the
    road are left out.
    """
    numbers = np.ascontiguousarray(numbers, dtype=np.float64)
    if numbers.ndim != 2 or numbers.shape[1] != f.FIELDS:
        msg = f"numbers must have {f.FIELDS} columns; given: shape {numbers.shape}"
        raise ValueError(msg)
    n = len(numbers)
    q, tail = _column(discharge_m3s, n, "discharge_m3s"), _column(tailwater_m, n, "tailwater_m")
    states, depths = kc.profiles(q, numbers, tail)
    head = states[:, f.HEADWATER] - numbers[:, f.INLET] - numbers[:, f.EMBEDDED]
    barrels = Barrels(
        numbers[:, f.SHAPE].astype(np.int64), numbers[:, f.RISE], numbers[:, f.SPAN], numbers[:, f.EMBEDDED]
    )
    each = q / numbers[:, f.BARRELS]
    by_barrel = np.full(n, -np.inf)
    with np.errstate(invalid="ignore", divide="ignore"):
        for entered in (depths[:, 0], depths[:, f.PIECES + 2]):  # at its depth inside, and at critical depth
            speed = each / barrel_section(np.maximum(entered, 0.0), barrels).area
            lost = (1.0 + numbers[:, f.ENTRANCE_LOSS]) * speed**2 / (2.0 * f.GRAVITY)
            by_barrel = np.maximum(by_barrel, entered + lost)
        by_inlet = head > by_barrel + 1e-9
    return CulvertFlow(
        depths[:, : f.PIECES + 1], states[:, f.SPEED : f.SPEED + f.PIECES], states[:, f.DEPTH],
        states[:, f.HEADWATER], by_inlet & (each > kc.STILL),
    )  # fmt: skip


def gate_head(unit_discharge_m2s: FloatArray, opening_m: ArrayLike, tail_head_m: ArrayLike) -> FloatArray:
    """Work out the head of energy above the sill that drives a discharge under a sharp-edged upright gate.

    Parameters
    ----------
    unit_discharge_m2s : (n,) float64
        Discharge per width [m2/s].
    opening_m : float or (n,) array_like
        [m]
    tail_head_m : float or (n,) array_like
        Water below, above the sill [m]; may be negative.

    Returns
    -------
    (n,) float64
        [m]; NaN where something is NaN, the discharge negative or the opening not above 0.

    Raises
    ------
    ValueError
        An argument is neither one number nor n.

    Notes
    -----
    Contraction 0.61 (Henderson 1966, ch. 6), drowned jets by energy and momentum; a broad crest where the gate does
    not touch the water. See `kernels_gates`.
    """
    q = np.ascontiguousarray(unit_discharge_m2s, dtype=np.float64)
    return kg.gate_heads(
        q, _column(opening_m, q.size, "opening_m"), _column(tail_head_m, q.size, "tail_head_m")
    )
