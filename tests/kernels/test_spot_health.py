"""Bad spots are found, and cold mat is not taken for one."""

import numpy as np
import pytest

from thermosaic.kernels import spot_health

LINES, SPOTS = 600, 24
ON_MAT = np.ones(SPOTS, bool)


def mat(seed: int = 1) -> np.ndarray:
    """A mat at 140 degC with cooler edges, uneven along, 0.5 degC of noise."""
    rng = np.random.default_rng(seed)
    across = -6.0 * np.exp(-np.minimum(np.arange(SPOTS), SPOTS - 1 - np.arange(SPOTS)) / 1.5)
    along = 5.0 * np.sin(np.arange(LINES) / 60.0)
    return 140.0 + along[:, None] + across + 0.5 * rng.normal(size=(LINES, SPOTS))


def found(temp: np.ndarray) -> list[int]:
    codes = np.zeros(LINES, np.int16)
    return np.flatnonzero(spot_health.bad_spots(temp, codes, ON_MAT, 1)[0]).tolist()


def test_a_sound_mat_has_no_bad_spot() -> None:
    """Uneven along and cooler at its edges, and still all spots are good."""
    assert found(mat()) == []


@pytest.mark.parametrize("spot", [0, 7, SPOTS - 1])
def test_dead_and_stuck_spots_are_found_anywhere(spot: int) -> None:
    """No reading at all, or one that never varies."""
    dead, stuck = mat(), mat()
    dead[:, spot] = np.nan
    stuck[:, spot] = 138.2
    assert found(dead) == [spot]
    assert found(stuck) == [spot]


@pytest.mark.parametrize("bias", [-9.0, 9.0])
def test_a_constant_bias_of_one_spot_is_found(bias: float) -> None:
    """9 degC off over the whole pass is a fault of the spot."""
    temp = mat()
    temp[:, 11] += bias
    assert found(temp) == [11]


def test_a_cold_streak_two_spots_wide_is_mat() -> None:
    """A real streak of two pitches over the whole pass is a zone, not a fault (design)."""
    temp = mat()
    temp[:, 11:13] -= 15.0
    assert found(temp) == []


def test_a_cold_patch_in_one_spot_is_mat() -> None:
    """A deficit that comes and goes along the pass is not constant."""
    temp = mat()
    temp[200:420, 11] -= 20.0
    assert found(temp) == []


def test_passes_are_judged_apart() -> None:
    """A spot that is biased in the second pass only is bad there only."""
    temp = np.vstack([mat(1), mat(2)])
    temp[LINES:, 5] += 12.0
    codes = np.repeat([0, 1], LINES).astype(np.int16)
    bad = spot_health.bad_spots(temp, codes, ON_MAT, 2)
    assert np.argwhere(bad).tolist() == [[1, 5]]


def test_few_lines_are_not_judged() -> None:
    """Under 30 lines nothing is called bad."""
    temp = mat()[:20]
    temp[:, 3] = np.nan
    assert not spot_health.bad_spots(temp, np.zeros(20, np.int16), ON_MAT, 1).any()
