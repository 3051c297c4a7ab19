"""Least squares along a chain: unknowns touch only their neighbours, so cost grows with length alone.

The normal equations of a chain are block tridiagonal. They are kept as bands, a row of knots each, and
factored by LAPACK's banded Cholesky; the covariance of each knot comes from the inverse restricted to the band,
never from a full inverse.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

Derivatives = dict[int, np.ndarray | float]  # by state


class Chain:
    """Normal equations of a chain under construction: add factors, then factor and solve.

    A factor is `weight x (residual + derivatives . step)^2`; the solution is the step. Derivatives by
    states from `states` on are left out: those are held.
    """

    def __init__(self, knots: int, states: int) -> None:
        self.bands = np.zeros((states, 2 * states, knots))  # by row, and how much further right
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
                    self.bands[row, col - row, knots] += pull * right

    def add_links(
        self, here: Derivatives, there: Derivatives, weight: np.ndarray, residual: np.ndarray | float
    ) -> None:
        """Add one scalar factor between every knot and the next; derivatives at both."""
        self.add_at(slice(0, -1), here, weight, residual)
        self.add_at(slice(1, None), there, weight, residual)
        states = len(self.right)
        for row, left in self._solved(here).items():
            pull = weight * left
            for col, right in self._solved(there).items():
                self.bands[row, states + col - row, :-1] += pull * right

    def _solved(self, slope: Derivatives) -> Derivatives:
        return {state: value for state, value in slope.items() if state < len(self.right)}

    def factor(self) -> Factored:
        """Factor the equations; raise numpy.linalg.LinAlgError where they leave an unknown open."""
        states, knots = self.right.shape
        bands = np.ascontiguousarray(self.bands.transpose(2, 0, 1)).reshape(-1, 2 * states).T
        lower = cholesky_banded(bands, overwrite_ab=True, lower=True, check_finite=False)
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
    def _covariances(self) -> tuple[np.ndarray, np.ndarray]:
        """Covariances of every knot (state, state, knot), and with the next (state, state of the next, knot - 1).

        Takahashi, Fagan and Chen (1973), by blocks.
        """
        own, below = self._blocks()
        freed = _inverse(own)
        pull = below @ freed[:-1]  # what a knot's error is in the next one's terms
        spread = _from_the_last(_turned(freed) @ freed, pull)
        same, following = (np.ascontiguousarray(part.T) for part in (spread, -(spread[1:] @ pull)))
        return 0.5 * (same + same.transpose(1, 0, 2)), following

    def _blocks(self) -> tuple[np.ndarray, np.ndarray]:
        """Blocks of the factor: on the diagonal (row, col, knot) and below it (knot - 1, row, col)."""
        lower = self.lower.T.reshape(self.knots, self.states, -1)
        own = np.zeros((self.states, self.states, self.knots))
        below = np.zeros((self.knots - 1, self.states, self.states))
        for row in range(self.states):
            for col in range(self.states):
                if row >= col:
                    own[row, col] = lower[:, col, row - col]
                below[:, row, col] = lower[:-1, col, self.states + row - col]
        return own, below

    def covariances(self) -> np.ndarray:
        """Covariance block of every knot, (state, state, knot)."""
        return self._covariances[0]

    def covariances_with_next(self) -> np.ndarray:
        """Covariance of every knot's states with the next knot's, (state, state of the next, knot - 1)."""
        return self._covariances[1]


def _inverse(lower: np.ndarray) -> np.ndarray:
    """Inverses (knot, row, col) of lower triangles (row, col, knot), all knots at once."""
    found = np.zeros_like(lower)
    for row in range(len(lower)):
        found[row, row] = 1.0
        for col in range(row):
            found[row, : col + 1] -= lower[row, col] * found[col, : col + 1]
        found[row, : row + 1] /= lower[row, row]
    return np.ascontiguousarray(found.transpose(2, 0, 1))


def _from_the_last(own: np.ndarray, pull: np.ndarray) -> np.ndarray:
    """Solve Z = own + pull' (Z of the next) pull for every knot, (knot, state, state); the last one's is its own.

    Every other knot first, over the one between: as many steps as the number of knots has binary digits.
    """
    if len(own) == 1:
        return own
    between, last = pull[::2], len(own) % 2
    here = own[::2].copy()
    here[: len(between)] += _turned(between) @ own[1::2] @ between
    here = _from_the_last(here, pull[1::2] @ between[: len(pull[1::2])])
    found = np.empty_like(own)
    found[::2], found[1::2] = here, own[1::2]
    found[1 : len(own) - 1 + last : 2] += _turned(pull[1::2]) @ here[1:] @ pull[1::2]
    return found


def _turned(blocks: np.ndarray) -> np.ndarray:
    return blocks.transpose(0, 2, 1)
