"""What an action is for: to keep an invader out, to let natives through, both, or neither."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

Role = Literal["invasive", "native"]
PURPOSES = ("neither", "keep out", "let through", "both")


def purposes(
    gains: npt.ArrayLike, roles: Sequence[Role], *, habitat: npt.ArrayLike, tolerance: float = 1e-9
) -> npt.NDArray[Any]:
    """Return the purpose of each action, from what species gain and lose by it.

    An action keeps out when an invasive species loses accessible habitat, and lets through when a native
    species gains some; what else it does is told by its gains.

    Parameters
    ----------
    gains : (n, S) array_like
        Change in accessible habitat [unit of the species]; NaN counts as none.
    roles : sequence of S {"invasive", "native"}
    habitat : (S,) or (n, S) array_like
        Habitat that `tolerance` is relative to, e.g. all habitat of the species [same unit].
    tolerance : float
        A change of at most this share of the habitat is rounding [-].

    Returns
    -------
    (n,) object array of str
        ``"keep out"``, ``"let through"``, ``"both"`` or ``"neither"``.

    Raises
    ------
    ValueError
        The shapes do not fit or a role is unknown.
    """
    change = np.asarray(gains, dtype=np.float64)
    if change.ndim != 2 or change.shape[1] != len(roles):
        raise ValueError(f"gains must have a column for each of the {len(roles)} roles; shape {change.shape}")
    unknown = sorted(set(roles) - {"invasive", "native"})
    if unknown:
        raise ValueError(f"roles: {unknown[0]!r} was given; allowed are 'invasive' and 'native'")
    invasive = np.array([role == "invasive" for role in roles], dtype=np.bool_)
    least = tolerance * np.abs(np.nan_to_num(np.asarray(habitat, dtype=np.float64)))
    keeps_out = ((change < -least) & invasive).any(axis=1)
    lets_through = ((change > least) & ~invasive).any(axis=1)
    return np.array(PURPOSES, dtype=object)[keeps_out + 2 * lets_through]
