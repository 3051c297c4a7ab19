"""Semivariograms against a published table and fit, a hand calculation, loops and closed forms."""

import numpy as np
import pytest

from thermosaic.kernels.variograms import Spherical, fit_spherical, lags, pair_sums

# variogram(log(zinc) ~ 1) of the meuse data: pairs, distance [m], semivariance; gstat reference page
MEUSE = np.array([
    (57, 79.29244, 0.1234479), (299, 163.97367, 0.2162185), (419, 267.36483, 0.3027859),
    (457, 372.73542, 0.4121448), (547, 478.47670, 0.4634128), (533, 585.34058, 0.5646933),
    (574, 693.14526, 0.5689683), (564, 796.18365, 0.6186769), (589, 903.14650, 0.6471479),
    (543, 1011.29177, 0.6915705), (500, 1117.86235, 0.7033984), (477, 1221.32810, 0.6038770),
    (452, 1329.16407, 0.6517158), (457, 1437.25620, 0.5665318), (415, 1543.20248, 0.5748227),
])  # fmt: skip


def test_published_fit():
    """gstat, weights N/h^2, spherical: nugget 0.05066243, partial sill 0.59060780, range 897.0209.

    Its search stops a little earlier than ours: agreement to 1 in 10,000 is asked for.
    """
    model = fit_spherical(MEUSE[:, 1], MEUSE[:, 0], MEUSE[:, 2])
    assert model.nugget == pytest.approx(0.05066243, rel=1e-4)
    assert model.partial_sill == pytest.approx(0.59060780, rel=1e-4)
    assert model.range_ == pytest.approx(897.0209, rel=1e-4)


def test_no_other_model_fits_better():
    """Weighted squares around the fit, and at gstat's own parameters, are not smaller."""

    def misfit(model):
        return np.sum(MEUSE[:, 0] / MEUSE[:, 1] ** 2 * (model.at(MEUSE[:, 1]) - MEUSE[:, 2]) ** 2)

    best = fit_spherical(MEUSE[:, 1], MEUSE[:, 0], MEUSE[:, 2])
    assert misfit(best) <= misfit(Spherical(0.05066243, 0.59060780, 897.0209))
    for step in np.array(np.meshgrid(*[[-1e-3, 0, 1e-3]] * 3)).reshape(3, -1).T:
        near = Spherical(*(np.array([best.nugget, best.partial_sill, best.range_]) * (1 + step)))
        assert misfit(best) <= misfit(near) + 1e-15


def test_values_of_the_spherical_model():
    """By its formula at 100, 448.51, 500 and beyond the range (hand calculation with the published fit)."""
    model = Spherical(0.05066243, 0.59060780, 897.0209)
    found = model.at(np.array([100.0, 448.51, 500.0, 897.03, 5000.0]))
    assert found == pytest.approx([0.14901, 0.45671, 0.49333, 0.64127, 0.64127], abs=6e-6)
    assert model.sill == pytest.approx(0.64127023)


def test_hand_check():
    """z = 10, 12, 11, 14, 13 at unit spacing: 15/8, 9/6, 17/4, 9/2."""
    pairs, squares = pair_sums(np.array([[10.0], [12], [11], [14], [13]]), np.array([1, 2, 3, 4]), axis=0)
    assert pairs.tolist() == [4, 3, 2, 1]
    assert squares.tolist() == [15.0, 9.0, 17.0, 9.0]


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("every", [1, 3])
def test_loops_over_all_pairs(axis, every):
    """Loops over the pairs give the same counts and sums, empty cells left out, every third column alike."""
    image = np.random.default_rng(3).normal(140, 4, (9, 40))
    image[np.random.default_rng(4).random(image.shape) < 0.2] = np.nan
    lag = np.array([1, 2, 5, 8, 30])
    pairs, squares = pair_sums(image, lag, axis, every)
    for k, h in enumerate(lag):
        steps = (h, 0) if axis == 0 else (0, h)
        apart = [
            image[row + steps[0], col + steps[1]] - image[row, col]
            for row in range(9 - steps[0])
            for col in range(0, 40 - steps[1], every)
        ]
        apart = [value for value in apart if np.isfinite(value)]
        assert pairs[k] == len(apart)
        assert squares[k] == pytest.approx(sum(value**2 for value in apart))


def test_moving_average():
    """Means of 6 independent values of variance 6: semivariance h/6 up to 6 cells, then 1 (closed form)."""
    noise = np.random.default_rng(5).normal(0, np.sqrt(6), (40, 20_005))
    image = np.stack([np.convolve(row, np.ones(6) / 6, "valid") for row in noise])
    pairs, squares = pair_sums(image, np.arange(1, 13), axis=1)
    expected = np.minimum(np.arange(1, 13) / 6, 1.0)
    assert squares / 2 / pairs == pytest.approx(expected, rel=0.02)


def test_pure_nugget_and_pure_structure():
    """Level semivariance has no structure; an exact model without nugget comes back."""
    h = np.arange(1.0, 20.0)
    flat = fit_spherical(h, np.full(19, 100), np.full(19, 4.0))
    assert flat.at(h) == pytest.approx(np.full(19, 4.0))
    model = fit_spherical(h, np.full(19, 100), Spherical(0.0, 9.0, 11.5).at(h))
    assert (model.nugget, model.partial_sill, model.range_) == pytest.approx((0.0, 9.0, 11.5), abs=1e-5)


def test_too_few_bins():
    """Two bins with pairs fit nothing."""
    assert fit_spherical(np.array([1.0, 2, 3]), np.array([5, 0, 5]), np.array([1.0, 2, 3])) is None


def test_lags():
    """Whole, rising, from 1 to the last; none where there is no room."""
    found = lags(300, 20)
    assert found[0] == 1
    assert found[-1] == 300
    assert (np.diff(found) > 0).all()
    assert len(lags(0, 20)) == 0
