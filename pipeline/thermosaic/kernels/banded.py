"""Least squares along a chain: each unknown block touches only its neighbours, so cost grows with length alone.

The normal equations of a chain are block tridiagonal. They are kept as diagonal blocks (knot, state,
state) and blocks to the next knot (knot - 1, state, state), factored by LAPACK's banded Cholesky, and
the covariance of each knot comes from the inverse restricted to the band, never from a full inverse.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from scipy.linalg import cho_solve_banded, cholesky_banded


class Chain:
    """Normal equations of a chain under construction: add factors, then solve."""

    def __init__(self, knots: int, states: int) -> None:
        self.diagonal = np.zeros((knots, states, states))
        self.upper = np.zeros((knots - 1, states, states))
        self.right = np.zeros((knots, states))

    def add_prior(
        self, state: int, weight: np.ndarray | float, residual: np.ndarray | float, knots=slice(None)
    ) -> None:
        """Add `weight x (residual + step)^2` on one state of some knots (no knot twice)."""
        self.diagonal[knots, state, state] += weight
        self.right[knots, state] -= weight * residual

    def add_unary(
        self,
        knots: np.ndarray,
        jacobian: dict[int, np.ndarray | float],
        weight: np.ndarray,
        residual: np.ndarray,
    ) -> None:
        """Add one scalar factor at each of `knots` (no knot twice); `jacobian` maps state to derivative."""
        for row, left in jacobian.items():
            self.right[knots, row] -= weight * left * residual
            for col, right in jacobian.items():
                self.diagonal[knots, row, col] += weight * left * right

    def add_links(
        self,
        here: dict[int, np.ndarray | float],
        there: dict[int, np.ndarray | float],
        weight: np.ndarray,
        residual: np.ndarray | float,
    ) -> None:
        """Add one scalar factor between every knot and the next; derivatives at both by state."""
        for row, left in here.items():
            self.right[:-1, row] -= weight * left * residual
            for col, right in here.items():
                self.diagonal[:-1, row, col] += weight * left * right
            for col, right in there.items():
                self.upper[:, row, col] += weight * left * right
        for row, left in there.items():
            self.right[1:, row] -= weight * left * residual
            for col, right in there.items():
                self.diagonal[1:, row, col] += weight * left * right

    def factor(self) -> Factored:
        """Factor the equations; raise numpy.linalg.LinAlgError where they do not determine the unknowns."""
        knots, states, _ = self.diagonal.shape
        bands = np.zeros((2 * states, knots, states))
        for row in range(states):
            for col in range(row, states):
                bands[col - row, :, row] = self.diagonal[:, row, col]
            for col in range(states):
                bands[states + col - row, :-1, row] = self.upper[:, row, col]
        lower = cholesky_banded(
            bands.reshape(2 * states, -1), overwrite_ab=True, lower=True, check_finite=False
        )
        return Factored(lower, knots, states)


class Factored:
    """A factored chain: steps, log determinant, covariance blocks."""

    def __init__(self, lower: np.ndarray, knots: int, states: int) -> None:
        self.lower, self.knots, self.states = lower, knots, states

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Solve for one right-hand side, (knot, state)."""
        return cho_solve_banded((self.lower, True), right.reshape(-1), check_finite=False).reshape(
            right.shape
        )

    @property
    def log_determinant(self) -> float:
        return 2.0 * float(np.log(self.lower[0]).sum())

    def covariances(self) -> np.ndarray:
        """Covariance block of every knot, (knot, state, state)."""
        inverse = _inverse_in_band(self.lower)
        states = self.states
        blocks = np.empty((self.knots, states, states))
        columns = inverse.reshape(2 * states, self.knots, states)
        for row in range(states):
            for col in range(row, states):
                blocks[:, row, col] = blocks[:, col, row] = columns[col - row, :, row]
        return blocks


@njit(cache=True)
def _inverse_in_band(lower: np.ndarray) -> np.ndarray:  # pragma: no cover
    """Inverse of A = L L' within the band of L (Takahashi, Fagan and Chen, 1973), lower banded storage."""
    width, count = lower.shape
    inverse = np.zeros_like(lower)
    for col in range(count - 1, -1, -1):
        pivot = lower[0, col]
        reach = min(width - 1, count - 1 - col)
        for step in range(reach, -1, -1):
            total = 1.0 / pivot if step == 0 else 0.0
            for k in range(1, reach + 1):
                first, second = (step, k) if step <= k else (k, step)
                total -= lower[k, col] * inverse[second - first, col + first]
            inverse[step, col] = total / pivot
    return inverse
