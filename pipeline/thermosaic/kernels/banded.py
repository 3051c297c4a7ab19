"""Least squares along a chain: unknowns touch only their neighbours, so cost grows with length alone.

The normal equations of a chain are block tridiagonal. They are kept as the blocks on the diagonal and
those to the next knot, each (state, state, knot), factored by LAPACK's banded Cholesky, and the covariance
of each knot comes from the inverse restricted to the band, never from a full inverse.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numba import njit
from scipy.linalg import cho_solve_banded, cholesky_banded

Derivatives = dict[int, np.ndarray | float]  # by state


class Chain:
    """Normal equations of a chain under construction: add factors, then factor and solve.

    A factor is `weight x (residual + derivatives . step)^2`; the solution is the step. Derivatives by
    states from `states` on are left out: those are held.
    """

    def __init__(self, knots: int, states: int) -> None:
        self.diagonal = np.zeros((states, states, knots))  # row <= col only
        self.upper = np.zeros((states, states, knots - 1))
        self.right = np.zeros((states, knots))

    def add_at(
        self,
        knots: np.ndarray | slice,
        slope: Derivatives,
        weight: np.ndarray | float,
        residual: np.ndarray | float,
    ) -> None:
        """Add one scalar factor at each of `knots` (none twice)."""
        slope = self._solved(slope)
        for row, left in slope.items():
            pull = weight * left
            self.right[row, knots] -= pull * residual
            for col, right in slope.items():
                if row <= col:
                    self.diagonal[row, col, knots] += pull * right

    def add_links(
        self, here: Derivatives, there: Derivatives, weight: np.ndarray, residual: np.ndarray | float
    ) -> None:
        """Add one scalar factor between every knot and the next; derivatives at both."""
        self.add_at(slice(0, -1), here, weight, residual)
        self.add_at(slice(1, None), there, weight, residual)
        for row, left in self._solved(here).items():
            pull = weight * left
            for col, right in self._solved(there).items():
                self.upper[row, col] += pull * right

    def _solved(self, slope: Derivatives) -> Derivatives:
        return {state: value for state, value in slope.items() if state < len(self.right)}

    def factor(self) -> Factored:
        """Factor the equations; raise numpy.linalg.LinAlgError where they leave an unknown open."""
        states, _, knots = self.diagonal.shape
        bands = np.zeros((knots, states, 2 * states))
        for row in range(states):
            for col in range(states):
                if row <= col:
                    bands[:, row, col - row] = self.diagonal[row, col]
                bands[:-1, row, states + col - row] = self.upper[row, col]
        lower = cholesky_banded(
            bands.reshape(-1, 2 * states).T, overwrite_ab=True, lower=True, check_finite=False
        )
        return Factored(lower, knots, states)


class Factored:
    """A factored chain: steps, log determinant, covariance blocks."""

    def __init__(self, lower: np.ndarray, knots: int, states: int) -> None:
        self.lower, self.knots, self.states = lower, knots, states

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Solve for one right-hand side, (state, knot)."""
        flat = np.ascontiguousarray(right.T).reshape(-1)
        solved = cho_solve_banded((self.lower, True), flat, check_finite=False)
        return np.ascontiguousarray(solved.reshape(self.knots, self.states).T)

    @property
    def log_determinant(self) -> float:
        return 2.0 * float(np.log(self.lower[0]).sum())

    @cached_property
    def _inverse(self) -> np.ndarray:
        """Covariances within the band: (knot, state, how many states further on)."""
        lower = np.ascontiguousarray(self.lower.T)
        inverse = np.zeros_like(lower)
        _invert_in_band(lower, inverse)
        return inverse.reshape(self.knots, self.states, -1)

    def covariances(self) -> np.ndarray:
        """Covariance block of every knot, (state, state, knot)."""
        blocks = np.empty((self.states, self.states, self.knots))
        for row in range(self.states):
            for col in range(row, self.states):
                blocks[row, col] = blocks[col, row] = self._inverse[:, row, col - row]
        return blocks

    def covariances_with_next(self) -> np.ndarray:
        """Covariance of every knot's states with the next knot's, (state, state of the next, knot - 1)."""
        blocks = np.empty((self.states, self.states, self.knots - 1))
        for row in range(self.states):
            for col in range(self.states):
                blocks[row, col] = self._inverse[:-1, row, self.states + col - row]
        return blocks


@njit(cache=True, error_model="numpy")
def _invert_in_band(lower: np.ndarray, inverse: np.ndarray) -> None:  # pragma: no cover
    """Inverse of A = L L' within the band of L, both (column, distance below the diagonal).

    Takahashi, Fagan and Chen (1973): columns from the last to the first, each from those after it.
    """
    count, width = lower.shape
    for col in range(count - 1, -1, -1):
        pivot = lower[col, 0]
        reach = min(width - 1, count - 1 - col)
        for step in range(reach, -1, -1):
            total = 1.0 / pivot if step == 0 else 0.0
            for k in range(1, reach + 1):
                near, far = (step, k) if step <= k else (k, step)
                total -= lower[col, k] * inverse[col + near, far - near]
            inverse[col, step] = total / pivot
