"""How far the estimate of the tailwater moves passability, counted by hand on the small basin of `support`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.small_passage import SmallPassage, Worked

from barrierrank.passage import designs
from barrierrank.passage.designs import tailwater_range


@pytest.fixture
def small(tmp_path: Path) -> SmallPassage:
    """Return a small project whose passabilities can be counted by hand; see `support.small_passage`."""
    return SmallPassage(tmp_path / "basin")


def ranges(worked: Worked) -> tuple[np.ndarray, np.ndarray]:
    assert worked.measured is not None
    return tailwater_range(worked.project, worked.measured)


def with_error(small: SmallPassage, metres: float, share: float) -> Worked:
    small.text += f"\n[passage]\ntailwater_error_m = {metres}\nroughness_error = {share}\n"
    return small.worked()


def test_by_hand(small: SmallPassage) -> None:
    # drops at low and high water, as worked out, with the water below 0.4 m lower and higher:
    # D1 0.8 0.3, 1.2 0.7, 0.4 -0.1; D2 1.2 0.7, 1.6 1.1, 0.8 0.3; 0.45 m stop the lamprey, 0.9 m the walleye
    low, high = ranges(with_error(small, 0.4, 0.2))
    np.testing.assert_allclose(low, [[0.0, 0.25], [0.0, 0.0], [1.0, 1.0]])
    np.testing.assert_allclose(high, [[1.0, 1.0], [0.25, 1.0], [1.0, 1.0]])


def test_an_error_that_takes_nobody_over_the_drop_moves_nothing(small: SmallPassage) -> None:
    worked = with_error(small, 0.05, 0.2)
    assert worked.measured is not None
    for found in ranges(worked):
        np.testing.assert_array_equal(found, worked.measured.passage.mean)


def test_roughness_counts_where_the_channel_tells_the_water_below(small: SmallPassage) -> None:
    columns = "site,kind,crest_m,crest_width_m,channel_bed_m,channel_width_m,channel_slope,channel_n,flow_a,flow_b"
    rows = [f"{s},weir,100.0,8,99.0,10,0.002,0.035,1,1" for s in ("D1", "D2", "D3")]
    small.write("structures.csv", "\n".join([columns, *rows]) + "\n")
    small.edit('ratings = "ratings.csv"\n', "")
    worked = with_error(small, 0.0, 0.5)
    assert worked.measured is not None
    # 7 m3/s stand some 0.6 m deep, with half the roughness 0.4 m: more drop is left then than the lamprey needs
    assert worked.measured.passage.mean[0].tolist() == [0.25, 1.0]
    low, high = ranges(worked)
    assert low[0].tolist() == [0.0, 1.0]
    assert high[0, 0] >= 0.25


def test_what_cannot_be_worked_out_in_every_case_is_not_known(small: SmallPassage) -> None:
    worked = small.worked()
    assert worked.measured is not None
    lost = replace(worked.measured.structures, gauge=np.array([-1, 0, 0]))
    low, high = tailwater_range(worked.project, replace(worked.measured, structures=lost))
    assert np.isnan(low[0]).all()
    assert np.isnan(high[0]).all()
    assert not np.isnan(low[1:]).any()


def test_without_an_error_nothing_is_worked_out_anew(small: SmallPassage, monkeypatch: pytest.MonkeyPatch) -> None:
    worked = with_error(small, 0.0, 0.0)
    monkeypatch.delattr(designs, "run_passability")
    assert worked.measured is not None
    low, high = ranges(worked)
    np.testing.assert_array_equal(low, worked.measured.passage.mean)
    np.testing.assert_array_equal(high, low)
