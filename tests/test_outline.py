"""The mat's outline against the alignment: moved lots of known size, and good ones that stay quiet."""

from __future__ import annotations

import re

import numpy as np
import pytest

import builders
from thermosaic import synthetic
from thermosaic.opening import load_config
from thermosaic.run import run_lot
from thermosaic.stationing.outline import moves_aside
from thermosaic.synthetic import Gnss, LotPlan, Rig

NO_STEPS = np.zeros(0, "M8[ns]")


@pytest.fixture(scope="module")
def swath():
    """Give the true swath of a straight lot, and its sigmas as they are."""
    return builders.true_swath(synthetic.make_lot(LotPlan()))


def moved(swath, at_m: float, by_m: float, over_m: float) -> np.ndarray:
    """Offset of each line from an alignment 1.9 m away, moved aside along a ramp."""
    return 1.9 + by_m * np.clip((swath.distance_m - at_m) / over_m, 0.0, 1.0)


@pytest.mark.parametrize("by_m", [0.64, -0.5])
def test_a_sudden_move_is_told_with_size_side_and_time(swath, by_m):
    """A move over 0.5 m of path at 90 m: its size to 2 cm, its side, and the time of the line there to a minute."""
    found = moves_aside(swath, moved(swath, 90.0, by_m, 0.5), NO_STEPS)
    assert [doubt.kind for doubt in found] == ["outline_moves"]
    assert found[0].amount == pytest.approx(by_m, abs=0.02)
    assert ("right" if by_m > 0 else "left") in found[0].text
    there = swath.seen_utc[np.searchsorted(swath.distance_m, 90.0)]
    assert abs(found[0].from_utc - there) < np.timedelta64(60, "s")


@pytest.mark.parametrize(("by_m", "over_m"), [(0.64, 25.0), (0.2, 0.5), (0.0, 1.0)])
def test_what_a_paver_can_steer_is_not_told(swath, by_m, over_m):
    """A taper of 0.64 m over 25 m, a move of 0.2 m and none at all are no sudden moves."""
    assert moves_aside(swath, moved(swath, 90.0, by_m, over_m), NO_STEPS) == []


def test_a_step_that_the_fixes_told_is_not_told_twice(swath):
    """The same move, with a step of the fixes known a minute before."""
    there = swath.seen_utc[np.searchsorted(swath.distance_m, 90.0)]
    steps = np.array([there - np.timedelta64(60, "s")])
    assert moves_aside(swath, moved(swath, 90.0, 0.64, 0.5), steps) == []


def test_a_run_tells_a_mat_that_lies_off_the_plans(tmp_path):
    """An antenna 0.5 m right that is stated 0.5 m left puts the mat 1 m aside of the plans: the run says why."""
    plan = LotPlan(gnss=Gnss(fixed_m=0.01), rig=Rig(antenna_right_m=0.5))
    lot = builders.write_lot(tmp_path / "lot", synthetic.make_lot(plan))
    text = (lot / "lot.toml").read_text()
    left, right = (
        plan.passes[0].offset_m + end for end in (plan.scanner.mat_left_m, plan.scanner.mat_right_m)
    )
    offsets = f'[stationing]\nmat_offsets = ["{left} m", "{right} m"]\n'
    text = text.replace("[stationing]\n", offsets) if "[stationing]" in text else text + "\n" + offsets
    (lot / "lot.toml").write_text(text)
    run_lot(load_config(lot), tmp_path / "good", report=False)
    wrong = re.sub(r"antenna_right = .*", 'antenna_right = "0.5 m left"', text)
    (lot / "lot.toml").write_text(wrong)
    run_lot(load_config(lot), tmp_path / "wrong", report=False)
    for name, expected in (("good", []), ("wrong", ["left and right look exchanged"])):
        quality = (tmp_path / name / "quality.json").read_text()
        assert [words for words in ("left and right look exchanged",) if words in quality] == expected
