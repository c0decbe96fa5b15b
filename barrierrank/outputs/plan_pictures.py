"""Pictures of a plan: the budget curve, natives against the invader, and access before and after."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from matplotlib.figure import Figure

from barrierrank.outputs.pictures import save_picture
from barrierrank.outputs.plan_curve import draw_curve
from barrierrank.outputs.plan_front import draw_front
from barrierrank.outputs.plan_look import PlanLook
from barrierrank.outputs.plan_maps import draw_access


def plan_pictures(look: PlanLook) -> dict[str, Callable[[], Figure]]:
    """Return the pictures that a plan has, by the names of their files: what draws each.

    ``plan_curve.png`` and ``plan_front.png`` where there are such, and ``plan_access_<species>.png``.

    Parameters
    ----------
    look : PlanLook
    """
    jobs: dict[str, Callable[[], Figure]] = {}
    if look.curve is not None and len(look.curve):
        jobs["plan_curve.png"] = partial(draw_curve, look)
    if look.front is not None and len(look.front):
        jobs["plan_front.png"] = partial(draw_front, look)
    for species in look.base.species:
        jobs[f"plan_access_{species.key}.png"] = partial(draw_access, look, species)
    return jobs


def write_plan_pictures(folder: Path, look: PlanLook) -> list[Path]:
    """Draw the pictures of a plan.

    Parameters
    ----------
    folder : Path
        Must exist.
    look : PlanLook

    Returns
    -------
    list of Path

    Raises
    ------
    OSError
        Where a file cannot be written.
    """
    paths = []
    for name, draw in plan_pictures(look).items():
        save_picture(folder / name, draw)
        paths.append(folder / name)
    return paths
