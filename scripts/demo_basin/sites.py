"""The table of structures: names, ages, heights and the chance that each species gets past."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from .names import MILLS

WORDS = {"none": 0.0, "poor": 0.2, "fair": 0.5, "good": 0.8, "open": 1.0}
SPECIES = ("lamprey", "walleye", "white_sucker", "brook_trout")
COLUMNS = [
    "site",
    "name",
    "kind",
    "stream",
    "lon",
    "lat",
    "built",
    "condition",
    "failure_probability",
    "height_m",
    *(f"p_{s}" for s in SPECIES),
]


def site_table(places: list[dict[str, object]], rng: np.random.Generator, crs: str) -> pd.DataFrame:
    """Return a row per site: the published columns and those of the place (`role`, `width_m` ...)."""
    sites = pd.DataFrame(places)
    sites["last"] = sites["kind"] == "candidate"
    sites = sites.sort_values(["last", "river", "to_mouth_km"], kind="stable").reset_index(drop=True)
    sites["site"] = [f"S{n:02d}" for n in range(1, len(sites) + 1)]
    sites["name"] = _names(sites)
    points = gpd.GeoSeries(sites["point"], crs=crs).to_crs("EPSG:4326")
    sites["lon"], sites["lat"] = points.x.round(6), points.y.round(6)
    details = [_details(str(row.role), row.drop_m, rng) for row in sites.itertuples()]
    return pd.concat([sites, pd.DataFrame(details, dtype=object)], axis=1)


def published(sites: pd.DataFrame, by_site: pd.DataFrame) -> pd.DataFrame:
    """Return the columns of ``sites.csv``, the white sucker's passability as rating words.

    Passabilities of measured sites are left empty, to be worked out, but for those `by_site` names as typed.
    """
    out = sites[COLUMNS].copy()
    scale = np.array(list(WORDS.values()))
    words = list(WORDS)
    nearest = [words[int(np.argmin(np.abs(scale - p)))] for p in out["p_white_sucker"]]
    out = out.assign(p_white_sucker=nearest, built=out["built"].astype("Int64"))
    typed = by_site["typed"].reindex(sites["site"])
    for species in SPECIES:
        blank = [isinstance(t, tuple) and species not in t for t in typed]
        out[f"p_{species}"] = out[f"p_{species}"].where(~np.array(blank))
    return out


def _names(sites: pd.DataFrame) -> list[str]:
    """Return a name for each site from its stream, road or mill."""
    mills = iter(MILLS)
    letter: dict[str, int] = {}
    names = []
    for row in sites.itertuples():
        stream = row.stream if isinstance(row.stream, str) else "unnamed stream"
        short = stream.removesuffix(" River").removesuffix(" Creek").removesuffix(" Brook")
        if row.role == "mill dam":
            names.append(f"{next(mills)} Dam, {stream}")
        elif row.role == "culvert":
            names.append(f"{row.road} at {stream}")
        elif row.role == "candidate":
            letter[short] = letter.get(short, 0) + 1
            names.append(f"{short} candidate {'ABCDE'[letter[short] - 1]}")
        else:
            word = {
                "ageing dam": "Dam",
                "lamprey barrier": "Lamprey Barrier",
                "side arm": "Island Sluice",
                "low sluice": "Sluice",
                "fall": "Falls",
                "weir": "Weir",
            }[row.role]
            names.append(f"{short} {word}")
    return _numbered(names)


def _numbered(names: list[str]) -> list[str]:
    """Return `names` with a running number where one occurs more than once."""
    seen: dict[str, int] = {}
    out = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        many = names.count(name) > 1
        out.append(f"{name} ({seen[name]})" if many else name)
    return out


def _details(role: str, drop_m: float, rng: np.random.Generator) -> dict[str, object]:
    """Return year, condition, failure probability, height and passabilities for a structure's role."""
    u = rng.random(8)
    if role == "candidate":
        return _row(None, "", 0.0, 0.0, (1.0, 1.0, 1.0, 1.0))
    if role == "fall":
        return _row(None, "", 0.0, drop_m, (0.0, 0.0, 0.0, 0.0))
    if role == "ageing dam":
        return _row(1926, "poor", 0.05, 4.6, (0.0, 0.0, 0.0, 0.05))
    if role == "lamprey barrier":
        poor = u[1] < 0.35
        fails = 0.02 + 0.03 * u[2] if poor else 0.004 + 0.004 * u[2]
        leaks = round(0.12 + 0.1 * u[3], 2) if poor else round(0.03 * u[3], 2)
        trout = 0.45 + 0.25 * u[4]
        year = 1968 + int(20 * u[0]) if poor else 1985 + int(25 * u[0])
        return _row(
            year, "poor" if poor else "good", fails, 0.6 + 0.5 * u[5], (leaks, 0.2 * u[6], 0.0, trout)
        )
    if role == "mill dam":
        return _mill_dam(u)
    if role in {"weir", "low sluice", "side arm"}:
        height = 0.3 + 0.4 * u[0]
        ease = 1.0 - (height - 0.3) / 0.4
        p = (0.15 + 0.5 * ease, 0.2 + 0.35 * ease, 0.2 + 0.4 * ease, 0.6 + 0.25 * ease)
        return _row(1925 + int(60 * u[1]), _condition(u[2]), 0.004 + 0.012 * u[3], height, p)
    perch = float(
        np.clip(0.95 * u[0] - 0.12, 0.0, 0.75)
    )  # culverts: about one in eight has no drop at its outlet
    ease = 1.0 - perch / 0.75
    p = (0.05 + 0.75 * ease, 0.05 + 0.5 * ease * u[5], 0.6 * ease, 0.15 + 0.65 * ease)
    return _row(1955 + int(50 * u[1]), _condition(u[2]), 0.002 + 0.008 * u[3], perch, p)


def _mill_dam(u: np.ndarray) -> dict[str, object]:
    """Return the details of an old mill dam: some are breached, some near their end."""
    height = 1.0 + 2.8 * u[0] ** 1.5
    year = 1858 + int(75 * u[1])
    if u[2] < 0.2:  # breached
        return _row(year, "poor", 0.06 + 0.02 * u[3], 0.5 * height, (0.4, 0.3, 0.45, 0.7))
    condition = _condition(u[4] * 0.9)
    fails = {"good": 0.003, "fair": 0.008, "poor": 0.02 + 0.03 * u[5]}[condition]
    return _row(year, condition, fails, height, (0.03 * u[6], 0.05 * u[7], 0.0, 0.25 / height))


def _condition(u: float) -> str:
    """Return the condition for a uniform draw."""
    if u < 0.3:
        return "poor"
    return "fair" if u < 0.7 else "good"


def _row(
    built: int | None, condition: str, failure: float, height: float, p: tuple[float, float, float, float]
) -> dict[str, object]:
    """Return one structure's details, rounded as they are published."""
    row = {
        "built": built,
        "condition": condition,
        "failure_probability": round(float(failure), 3),
        "height_m": round(float(height), 2),
    }
    return row | {f"p_{s}": round(float(x), 2) for s, x in zip(SPECIES, p, strict=True)}
