"""A chain's banded solution equals the dense one (numpy.linalg as the independent reference)."""

import numpy as np
import pytest

from thermosaic.kernels.banded import Chain

KNOTS, STATES = 9, 3


def random_chain(seed: int) -> tuple[Chain, np.ndarray, np.ndarray]:
    """A chain of random factors, with its dense normal matrix and right side built row by row."""
    rng = np.random.default_rng(seed)
    chain, rows, residuals, weights = Chain(KNOTS, STATES), [], [], []
    for _ in range(4):
        here, there = rng.normal(size=(2, STATES, KNOTS - 1))
        weight, residual = rng.uniform(0.5, 2.0, KNOTS - 1), rng.normal(size=KNOTS - 1)
        chain.add_links(dict(enumerate(here)), dict(enumerate(there)), weight, residual)
        for knot in range(KNOTS - 1):
            row = np.zeros((KNOTS, STATES))
            row[knot], row[knot + 1] = here[:, knot], there[:, knot]
            rows.append(row.ravel())
            residuals.append(residual[knot])
            weights.append(weight[knot])
    chain.add_at(np.array([2, 5]), {0: 1.0, 2: np.array([0.5, -2.0])}, 3.0, np.array([0.1, 0.2]))
    for knot, slope, residual in ((2, 0.5, 0.1), (5, -2.0, 0.2)):
        row = np.zeros((KNOTS, STATES))
        row[knot, 0], row[knot, 2] = 1.0, slope
        rows.append(row.ravel())
        residuals.append(residual)
        weights.append(3.0)
    dense = np.array(rows)
    return chain, dense.T @ np.diag(weights) @ dense, -dense.T @ (np.array(weights) * np.array(residuals))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_chain_solves_as_the_dense_system_does(seed: int) -> None:
    """Step, log determinant, covariances of each knot and with the next agree with numpy.linalg to 1e-9."""
    chain, matrix, right = random_chain(seed)
    factored = chain.factor()
    assert np.allclose(factored.solve(chain.right).T.ravel(), np.linalg.solve(matrix, right), atol=1e-9)
    assert factored.log_determinant == pytest.approx(np.linalg.slogdet(matrix)[1], abs=1e-9)
    inverse = np.linalg.inv(matrix)
    for knot in range(KNOTS):
        block = slice(knot * STATES, (knot + 1) * STATES)
        assert np.allclose(factored.covariances()[:, :, knot], inverse[block, block], atol=1e-9)
        after = slice(block.stop, block.stop + STATES)
        if knot < KNOTS - 1:
            assert np.allclose(factored.covariances_with_next()[:, :, knot], inverse[block, after], atol=1e-9)


def test_an_open_unknown_is_refused() -> None:
    """A state that no factor touches has no solution, and that is said."""
    chain = Chain(3, 2)
    chain.add_at(slice(None), {0: 1.0}, 1.0, 0.0)
    with pytest.raises(np.linalg.LinAlgError):
        chain.factor()


def test_derivatives_by_held_states_are_left_out() -> None:
    """A factor may name states that the chain does not solve for; they stay where they are."""
    free, held = Chain(3, 1), Chain(3, 1)
    free.add_at(slice(None), {0: 2.0}, 1.0, 4.0)
    held.add_at(slice(None), {0: 2.0, 1: 7.0}, 1.0, 4.0)
    assert np.array_equal(free.factor().solve(free.right), held.factor().solve(held.right))
