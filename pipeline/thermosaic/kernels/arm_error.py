"""The error of a lever arm from marks on the ground that several traverses saw.

Every place is seen through the same arm, so an arm that is wrong by e puts a mark at M + R(heading) e: ahead
and right of it in travel, whichever way the travel is. Marks may be points or straight lines, known or not.
Generalised least squares with the marks as nuisance; single wrong sightings by the test of Baarda (1968, from
memory) for blocks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import chdtrc, chdtri

WORST_SIGMA_M = 1.0  # an error known no better is not told
WRONG = 1e-3  # probability of calling a good sighting wrong
ALIKE = 0.9  # of the largest test: a sighting that fails as much cannot be told from it
TURNS = 8  # of a line's direction
LOOSE_M = (
    3.0  # of what the sightings do not tell: no arm is wrong by more than a lane (common practice, no source)
)


@dataclass(frozen=True, eq=False, slots=True)
class Seen:
    """Sightings, ground metres on a plane and seconds, and the marks they are of."""

    mark: np.ndarray  # int (sighting), index of the mark
    east_m: np.ndarray  # (sighting) where the arm as tried puts the seen spot
    north_m: np.ndarray
    heading_rad: np.ndarray
    speed_mps: np.ndarray
    time_s: np.ndarray
    path_along_m: np.ndarray  # (sighting) sigma of the path, shared by neighbours in time
    path_across_m: np.ndarray
    look_along_m: np.ndarray  # (sighting) sigma of finding the mark between lines and spots
    look_across_m: np.ndarray
    is_line: np.ndarray  # bool (mark)
    known_m: np.ndarray  # (mark, 2) surveyed place, NaN = unknown or a line
    known_sigma_m: np.ndarray  # (mark)
    memory_s: float  # over which errors of the path are alike
    clock_sigma_s: float  # of the scan's clock; 0 = taken as stated
    tried_m: tuple[
        float, float
    ]  # forward, right: the arm that the places were found with, less the stated one


@dataclass(frozen=True, eq=False, slots=True)
class ArmError:
    """True arm less stated arm; sigma is infinite where the sightings do not tell a component."""

    forward_m: float
    right_m: float
    forward_sigma_m: float
    right_sigma_m: float
    off_m: np.ndarray  # (sighting, 2) ahead and right of the mark as solved; of a line along its normal
    left_off_m: np.ndarray  # (sighting, 2) the same with the error taken off
    used: np.ndarray  # bool (sighting)
    misfit: float  # weighted squares of what is left over its degrees of freedom; NaN with none
    likelihood: float  # probability of a misfit as large; NaN with none
    undecided: np.ndarray  # bool (sighting): wrong perhaps, but another fails as much


def solve_arm_error(seen: Seen) -> ArmError:
    """Solve for the arm's error, leaving out single wrong sightings where the rest can show them.

    Parameters
    ----------
    seen : Seen
        At least one sighting.

    Returns
    -------
    ArmError
        At most a third of the sightings is left out; where two of one mark fail alike, both are. Sigmas grow
        with the misfit where that is above 1.
    """
    used = np.ones(len(seen.mark), bool)
    undecided = np.zeros(len(used), bool)
    while True:
        fit = _Fit(seen, used)
        alike = fit.wrong()
        one_mark = len(np.unique(seen.mark[used][alike])) == 1
        enough = used.sum() - alike.sum() >= np.ceil(2 * len(used) / 3)
        if not (alike.any() and one_mark and enough):
            undecided[np.flatnonzero(used)[alike]] = True
            break
        used[np.flatnonzero(used)[alike]] = False
    return fit.result(undecided)


class _Fit:
    """One solution from the used sightings: error of the arm and places of the marks."""

    def __init__(self, seen: Seen, used: np.ndarray) -> None:
        self.seen, self.used = seen, used
        self.of = np.flatnonzero(used)
        self.middle = np.array([seen.east_m[used].mean(), seen.north_m[used].mean()])
        self.places = np.column_stack([seen.east_m, seen.north_m]) - self.middle
        self.turns = _turns(seen.heading_rad)
        self.bearing = self._first_bearings()
        self.error = np.zeros(2)
        for _ in range(TURNS if seen.is_line.any() else 1):
            self._solve()

    def _first_bearings(self) -> np.ndarray:
        """Direction of each line's normal by its sightings' longest extent; that of travel for a start."""
        found = np.zeros(len(self.seen.is_line))
        for mark in np.flatnonzero(self.seen.is_line):
            mine = self.of[self.seen.mark[self.of] == mark]
            if len(mine) == 0:
                continue
            own = self.places[mine] - self.places[mine].mean(axis=0)
            extent = np.linalg.svd(own)[2][0] if len(mine) > 1 else self.turns[mine[0]][:, 1]
            found[mark] = np.arctan2(-extent[1], extent[0])  # normal (sin, cos) at right angles to the extent
        return found

    def _solve(self) -> None:
        """Solve once about the present directions of lines."""
        rows, values, lift, self.row_of = self._equations()
        half = np.linalg.cholesky(lift @ self._covariance() @ lift.T + self._known_variance(len(values)))
        design, right = (solve_triangular(half, item, lower=True) for item in (rows, values))
        normal = design.T @ design
        rest = np.linalg.pinv(normal[2:, 2:], rcond=1e-12, hermitian=True)
        self.information = normal[:2, :2] - normal[:2, 2:] @ rest @ normal[2:, :2]
        size, axes = np.linalg.eigh(self.information)
        told = size > WORST_SIGMA_M**-2
        inverse = (axes[:, told] / size[told]) @ axes[:, told].T
        pull = design.T @ right
        self.error = inverse @ (pull[:2] - normal[:2, 2:] @ rest @ pull[2:])
        self.marks = rest @ (pull[2:] - normal[2:, :2] @ self.error)
        self.variance = np.where(told, 1.0 / np.where(told, size, 1.0), np.inf)
        self.axes = axes
        self.design, self.half, self.left = design, half, right - design @ np.r_[self.error, self.marks]
        lines = np.flatnonzero(self.seen.is_line)
        self.bearing[lines] += np.clip(self.marks[2 * lines + 1], -0.5, 0.5)

    def _equations(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Design, values, how errors of the places enter, and the sighting of each row (-1: a known mark)."""
        seen, columns = self.seen, 2 + 2 * len(self.seen.is_line)
        rows, values, lift, row_of = [], [], [], []
        for number, item in enumerate(self.of):
            mark = int(seen.mark[item])
            at = 2 + 2 * mark
            for direction, own in self._views(item, mark):
                row, part = np.zeros(columns), np.zeros(2 * len(self.of))
                row[:2], row[at : at + 2] = direction @ self.turns[item], own
                part[2 * number : 2 * number + 2] = direction
                rows.append(row)
                values.append(direction @ self.places[item])
                lift.append(part)
                row_of.append(item)
        for mark in np.flatnonzero(np.isfinite(seen.known_m[:, 0])):
            for axis in (0, 1):
                row = np.zeros(columns)
                row[2 + 2 * mark + axis] = 1.0
                rows.append(row)
                values.append(seen.known_m[mark, axis] - self.middle[axis])
                lift.append(np.zeros(2 * len(self.of)))
                row_of.append(-1 - mark)
        return np.array(rows), np.array(values), np.array(lift), np.array(row_of)

    def _views(self, item: int, mark: int) -> list[tuple[np.ndarray, np.ndarray]]:
        """Directions in which a sighting speaks, each with its share in the mark's two unknowns."""
        if not self.seen.is_line[mark]:
            return [
                (np.array([1.0, 0.0]), np.array([1.0, 0.0])),
                (np.array([0.0, 1.0]), np.array([0.0, 1.0])),
            ]
        bearing = self.bearing[mark]
        normal = np.array([np.sin(bearing), np.cos(bearing)])
        along = np.array([np.cos(bearing), -np.sin(bearing)])
        place = self.places[item] - self.turns[item] @ self.error
        return [(normal, np.array([1.0, -(along @ place)]))]

    def _covariance(self) -> np.ndarray:
        """Covariance (2 x sighting) of the places: path, alike over its memory; clock; finding the mark."""
        seen, of = self.seen, self.of
        turns = self.turns[of]
        path = np.stack([seen.path_along_m[of], seen.path_across_m[of]], axis=1)
        look = np.stack([seen.look_along_m[of], seen.look_across_m[of]], axis=1) ** 2
        root = (turns * path[:, None, :]) @ turns.transpose(0, 2, 1)
        alike = np.exp(-np.abs(seen.time_s[of][:, None] - seen.time_s[of]) / seen.memory_s)
        whole = np.einsum("ij,iab,jbc->iajc", alike, root, root)
        count = np.arange(len(of))
        whole[count, :, count, :] += (turns * look[:, None, :]) @ turns.transpose(0, 2, 1)
        late = (seen.clock_sigma_s * seen.speed_mps[of, None] * turns[:, :, 0]).ravel()
        return whole.reshape(2 * len(of), 2 * len(of)) + np.outer(late, late)

    def _known_variance(self, count: int) -> np.ndarray:
        own = [self.seen.known_sigma_m[-1 - item] ** 2 if item < 0 else 0.0 for item in self.row_of]
        return np.diag(own) if count else np.zeros((0, 0))

    def wrong(self) -> np.ndarray:
        """Which of the used sightings fail most clearly, and alike; none where all are good."""
        free = np.eye(len(self.design)) - self.design @ np.linalg.pinv(self.design, rcond=1e-9)
        weigh = solve_triangular(self.half, np.eye(len(free)), lower=True)
        test = np.array([self._test(weigh[:, self.row_of == item], free) for item in self.of])
        return (test > 1.0) & (test >= ALIKE * test.max())

    def _test(self, weigh: np.ndarray, free: np.ndarray) -> float:
        """How far a sighting is off from the others, over the limit of chance; 0 where they cannot tell."""
        shown, whole = weigh.T @ free @ weigh, weigh.T @ weigh
        if np.linalg.eigvalsh(shown)[0] < 1e-6 * np.linalg.eigvalsh(whole)[0]:
            return 0.0
        pull = weigh.T @ self.left
        return float(pull @ np.linalg.solve(shown, pull)) / float(chdtri(weigh.shape[1], WRONG))

    def result(self, undecided: np.ndarray) -> ArmError:
        """Gather what was found."""
        squares = float(self.left @ self.left)
        free = len(self.left) - np.linalg.matrix_rank(self.design, tol=1e-6)
        misfit = squares / free if free > 0 else float("nan")
        sigma = np.sqrt((self.axes**2) @ np.minimum(self.variance, LOOSE_M**2)) * np.sqrt(
            np.fmax(misfit, 1.0)
        )
        told = sigma <= WORST_SIGMA_M
        off, left = self._off()
        return ArmError(
            *np.where(told, self.error + self.seen.tried_m, np.nan),
            *np.where(told, sigma, np.inf),
            off_m=off,
            left_off_m=left,
            used=self.used.copy(),
            misfit=misfit,
            likelihood=float(chdtrc(free, squares)) if free > 0 else float("nan"),
            undecided=undecided,
        )

    def _marks_or_means(self) -> np.ndarray:
        """Unknowns of each mark; of one whose sightings are all left out the mean of its places."""
        marks = self.marks.reshape(-1, 2).copy()
        level = self.places - self.turns @ self.error
        for mark in np.setdiff1d(self.seen.mark, self.seen.mark[self.of]):
            marks[mark] = level[self.seen.mark == mark].mean(axis=0)
        return marks

    def _off(self) -> tuple[np.ndarray, np.ndarray]:
        """Where each sighting puts its mark, ahead and right of its solved place, before and after."""
        own = self._marks_or_means()[self.seen.mark]
        before = self.places - own + self.turns @ np.array(self.seen.tried_m)
        after = self.places - own - self.turns @ self.error
        for item in np.flatnonzero(self.seen.is_line[self.seen.mark] & self.used):
            bearing = self.bearing[self.seen.mark[item]]
            normal = np.array([np.sin(bearing), np.cos(bearing)])
            for values in (before, after):
                values[item] = normal * (normal @ (values[item] + own[item]) - own[item][0])
        back = self.turns.transpose(0, 2, 1)
        return tuple((back @ values[:, :, None])[:, :, 0] for values in (before, after))


def _turns(heading_rad: np.ndarray) -> np.ndarray:
    """(sighting, 2, 2): from (forward, right) to (east, north)."""
    sine, cosine = np.sin(heading_rad), np.cos(heading_rad)
    return np.stack([np.stack([sine, cosine], axis=-1), np.stack([cosine, -sine], axis=-1)], axis=-2)
