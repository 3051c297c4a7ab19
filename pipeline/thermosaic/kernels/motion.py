"""How a paver moves along its path, and the likeliest such motion through its fixes.

The unknowns at each knot of wheel distance are the non-slip point's position, its course, curvature,
the wheel's scale error, the slowly drifting part of the GNSS error, and the crab angle (body heading less
course; without a heading sensor nothing sees it: it is held at 0 and counted in the sigmas). The non-slip
point moves the way it points; curvature wanders as a driver can steer, the wheel's scale as a wheel slips.
The antenna's lever arm is part of the measurement, so the body's heading comes out right in tight turns and
for an antenna ahead of or behind the non-slip point, solved along the whole path at once (Gauss-Newton on a
chain; heavy-tailed fixes by iterated reweighting). How much the path may turn is chosen by marginal
likelihood with the drift in the model: drift is not taken for steering.
Not done here: clocks, projections, which fixes belong to which piece.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .banded import Chain, Derivatives, Factored

EAST, NORTH, COURSE, CURVE, SLIP, DRIFT_E, DRIFT_N, CRAB = range(8)
STATES = 8
# road designed straight (0.3 m off a line of 300 m) to yard, 1/m a root of a metre
STEERINGS = tuple(10.0 ** (power / 4) for power in range(-24, -7))
# clean wheel to slipping one, per root of a metre
SLIPS = tuple(10.0 ** (power / 4) for power in range(-18, -9))
STRIDES = (2, 1)  # rungs, about threefold and then about twofold
ENOUGH_KNOTS = 600  # to judge steering and slip by
BEND_KNOTS = 40  # over which a bend shows above the noise
_UNTOLD = 1e-9  # least share of a step's variance that must be left open to judge the step
MOST_ROUNDS = 20  # of Gauss-Newton
LOOSER = 5.0  # the drift need not be as close as the path
TIGHT_WHEEL = 1.0  # log likelihood that each rung of a cleaner wheel than usual must gain


@dataclass(frozen=True)
class Habits:
    """How a paver drives; standard deviations. Common practice and geometry, no published source."""

    steering: float = 1e-3  # curvature change, 1/m per square root of a metre
    curvature: float = 0.03  # 1/m, at the start of a piece: a paver turns on 25 to 40 m
    slip: float = 1e-3  # wheel scale change per square root of a metre
    scale: float = 0.03  # wheel scale error at the start of a piece
    crab_rad: float = float(np.radians(0.25))  # body against course
    crab_length_m: float = 300.0  # over which the crab angle keeps
    sideways_m: float = 1e-3  # side slip per square root of a metre
    along_m: float = 1e-3  # wheel noise per square root of a metre
    weave_m: float = 0.02  # driver's side to side where no fix is near, per square root of a metre
    wander_m: float = 0.006  # wheel's error there, per square root of a metre
    tail: float = 4.0  # degrees of freedom of Student's t for fixes


@dataclass(frozen=True, eq=False)
class Arms:
    """Where the antenna and C sit, from the non-slip point, metres."""

    antenna_forward_m: np.ndarray  # (sighting), horizontal
    antenna_right_m: np.ndarray  # (sighting)
    back_m: float  # C, whose path the wheel measures, behind the non-slip point


@dataclass(frozen=True, eq=False)
class Sightings:
    """Means of neighbouring fixes, at most one a knot, on a local plane of ground metres."""

    knot: np.ndarray  # int (sighting), increasing
    east_m: np.ndarray
    north_m: np.ndarray
    white_m: np.ndarray  # standard deviation of what averages out, one axis
    along_m: np.ndarray  # more of it along travel, where the wheel distance is not known better
    speed_mps: np.ndarray  # by the wheel
    heading_rad: np.ndarray  # body, NaN = none
    heading_sigma_rad: np.ndarray


@dataclass(frozen=True, eq=False)
class Line:
    """The knots: wheel distance, and how the GNSS drift links them."""

    wheel_m: np.ndarray  # (knot) not falling
    drift_m: np.ndarray  # (knot) standard deviation of the drift, one axis
    memory: np.ndarray  # (knot - 1) correlation of the drift with the next knot's, 0..1
    unseen_m: np.ndarray | float = 0.0  # (knot - 1) distance to the next knot where no fix is near, else 0
    torn_m: np.ndarray | float = 0.0  # (knot - 1) standard deviation of a move of the antenna there, one axis


@dataclass(frozen=True, eq=False)
class Motion:
    """A solved path."""

    state: np.ndarray  # (8, knot); curvature is the course's change per metre of wheel
    chain: Chain  # normal equations there
    energy: float  # twice the negative log likelihood there, up to a constant
    weight: np.ndarray  # (sighting) about 1 = believed, near 0 = a jump
    residual_m: np.ndarray  # (sighting, 2) along, across: fix less path, drift taken off
    habits: Habits

    @cached_property
    def factored(self) -> Factored:
        """The equations factored: a first solution needs no covariances."""
        return self.chain.factor()

    @property
    def evidence(self) -> float:
        """Log marginal likelihood up to a constant (Laplace)."""
        return -0.5 * (self.energy + self.factored.log_determinant)


@dataclass(frozen=True, eq=False)
class Link:
    """One kind of factor between every knot and the next."""

    here: Derivatives
    there: Derivatives
    variance: np.ndarray
    residual: np.ndarray


@dataclass(frozen=True, eq=False)
class Placed:
    """The point C at every knot, with one standard deviation each."""

    east_m: np.ndarray
    north_m: np.ndarray
    heading_rad: np.ndarray
    along_m: np.ndarray
    across_m: np.ndarray
    turn_rad: np.ndarray


def solve_motion(
    line: Line,
    seen: Sightings,
    arms: Arms,
    habits: Habits,
    start: np.ndarray,
    close_m: float = 2e-4,
) -> Motion:
    """Solve the chain by Gauss-Newton with reweighting.

    Parameters
    ----------
    line, seen, arms, habits
        What is known.
    start : numpy.ndarray
        (8, knot) first guess; position and course matter.
    close_m : float
        Ends when nothing moves by more: no position, no end of a 10 m arm; a drift may by `LOOSER` as much, which
        trades with the fixes' white noise and leaves the path where it is.
    """
    knot = seen.knot
    seen, arms = _at_every_knot(seen, arms, start.shape[1])
    state = _descend(line, seen, arms, habits, start, close_m)[0]
    chain, energy, residuals = _linearise(line, seen, arms, habits, state)
    weight = _believed(habits, _ratio(seen, residuals))
    return Motion(state, chain, energy, weight[knot], -np.column_stack(residuals)[knot], habits)


def _descend(
    line: Line, seen: Sightings, arms: Arms, habits: Habits, start: np.ndarray, close_m: float = 0.02
) -> tuple[np.ndarray, float]:
    """Go to the likeliest state; also the evidence there, to second order in the last step."""
    state = start.copy()
    for _ in range(MOST_ROUNDS):
        chain, energy, _ = _linearise(line, seen, arms, habits, state)
        factored = chain.factor()
        step = factored.solve(chain.right)
        step[COURSE] = np.clip(step[COURSE], -0.3, 0.3)
        state[: len(step)] += step
        drift = np.abs(step[DRIFT_E:CRAB] * line.drift_m).max() / LOOSER
        if max(np.abs(step[:COURSE]).max(), 10.0 * np.abs(step[COURSE]).max(), drift) < close_m:
            break
    gained = float((chain.right * step).sum())
    return state, -0.5 * (energy - gained + factored.log_determinant)


def evidence(line: Line, seen: Sightings, arms: Arms, habits: Habits, start: np.ndarray) -> float:
    """Log marginal likelihood up to a constant, to second order from a solution close by."""
    return _descend(line, *_at_every_knot(seen, arms, start.shape[1]), habits, start)[1]


def choose_habits(line: Line, seen: Sightings, arms: Arms, habits: Habits, start: np.ndarray) -> Habits:
    """Choose the steering and the wheel slip of highest marginal likelihood, from a solved start.

    Both are sought on ladders, one after the other until neither gains, in strides of about three and
    then of about two: finer than that the logs cannot tell. A wheel better than `habits.slip` has to be
    shown. A long chain is judged by the stretch that turns most, so that no turn is cut short.
    """
    line, seen, arms, start = _most_turning(line, seen, arms, start)
    seen, arms = _at_every_knot(seen, arms, start.shape[1])
    known: dict[tuple[int, int], tuple[float, np.ndarray]] = {}
    usual = (_nearest(STEERINGS, habits.steering), _nearest(SLIPS, habits.slip))

    def gain(rank: tuple[int, int]) -> float:
        if not (0 <= rank[0] < len(STEERINGS) and 0 <= rank[1] < len(SLIPS)):
            return -np.inf
        if rank not in known:
            near = min(known, key=lambda at: abs(at[0] - rank[0]) + abs(at[1] - rank[1]), default=None)
            warm = start if near is None else known[near][1]
            trial = replace(habits, steering=STEERINGS[rank[0]], slip=SLIPS[rank[1]])
            state, evidence = _descend(line, seen, arms, trial, warm)
            tighter = max(usual[1] - rank[1], 0)
            known[rank] = (evidence - TIGHT_WHEEL * tighter, state)
        return known[rank][0]

    best = usual
    for stride in STRIDES:
        gained = True
        while gained:
            gained = False
            for step in ((stride, 0), (-stride, 0), (0, stride), (0, -stride)):
                while gain((best[0] + step[0], best[1] + step[1])) > gain(best):
                    best, gained = (best[0] + step[0], best[1] + step[1]), True
    return replace(habits, steering=STEERINGS[best[0]], slip=SLIPS[best[1]])


def _nearest(ladder: tuple[float, ...], value: float) -> int:
    return int(np.argmin(np.abs(np.log(np.array(ladder) / value))))


def _most_turning(
    line: Line, seen: Sightings, arms: Arms, state: np.ndarray
) -> tuple[Line, Sightings, Arms, np.ndarray]:
    """Cut a long chain to the stretch in which the curvature changes most; give a short one whole."""
    knots = state.shape[1]
    if knots <= ENOUGH_KNOTS:
        return line, seen, arms, state
    bend = np.zeros(knots)
    bend[BEND_KNOTS:-BEND_KNOTS] = (
        state[COURSE, 2 * BEND_KNOTS :]
        - 2 * state[COURSE, BEND_KNOTS:-BEND_KNOTS]
        + state[COURSE, : -2 * BEND_KNOTS]
    )
    change = np.concatenate([[0.0], np.cumsum(bend**2)])[1:]
    first = int(np.argmax(change[ENOUGH_KNOTS - 1 :] - change[: knots - ENOUGH_KNOTS + 1]))
    last = first + ENOUGH_KNOTS
    inside = (seen.knot >= first) & (seen.knot < last)
    picked = {name: values[inside] for name, values in vars(seen).items()}
    picked["knot"] = picked["knot"] - first
    links = slice(first, last - 1)
    unseen_m = np.broadcast_to(line.unseen_m, line.memory.shape)[links]
    return (
        Line(line.wheel_m[first:last], line.drift_m[first:last], line.memory[links], unseen_m),
        Sightings(**picked),
        Arms(arms.antenna_forward_m[inside], arms.antenna_right_m[inside], arms.back_m),
        state[:, first:last],
    )


def clock_shift(line: Line, seen: Sightings, arms: Arms, motion: Motion) -> tuple[float, float]:
    """How much later the wheel's clock must read for fixes and path to agree, as a weighted sum.

    A fix that belongs to a wheel distance `speed x shift` further on lies that much further along the
    path; the path itself is free to give way, so the shift is what is left after it has (Schur complement).

    Returns
    -------
    pull, information : float
        Shift = pull / information, standard deviation = information ** -0.5; both add over pieces.
    """
    slopes, weights, residuals = _sighting_rows(line, seen, arms, motion.habits, motion.state)
    right = np.zeros_like(motion.state)
    states = motion.factored.states
    weight = weights[0] * seen.speed_mps
    for which, derivative in slopes[0].items():
        right[which, seen.knot] += weight * derivative
    given_way = motion.factored.solve(right[:states])
    information = float((weight * seen.speed_mps).sum() - (right[:states] * given_way).sum())
    return -float((weight * residuals[0]).sum()), max(information, 0.0)


def breaks(line: Line, arms: Arms, motion: Motion) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ask at every step between knots: had all fixes from there on moved at once, how far, and what would it gain?

    The smoothed residual of the step is held against its own variance, which is that of the step less what
    the path leaves of it (de Jong and Penzer, 1998): a move that no machine can make stands out.

    Returns
    -------
    across_m, along_m, gain : numpy.ndarray
        (knot - 1) likeliest move to the right and ahead; gain = twice the log likelihood it explains, about
        chi-square of two degrees of freedom where nothing moved, 0 where nothing can be told.
    """
    right, ahead = _place_links(line, arms, motion.habits, motion.state)
    blocks = motion.factored.covariances(), motion.factored.covariances_with_next()
    open_ = [
        right.variance - _shared(right, right, *blocks),
        ahead.variance - _shared(ahead, ahead, *blocks),
        -_shared(right, ahead, *blocks),
    ]
    determinant = open_[0] * open_[1] - open_[2] ** 2
    determinant = np.where(determinant > _UNTOLD**2 * right.variance * ahead.variance, determinant, np.inf)
    pull = (
        (open_[1] * right.residual - open_[2] * ahead.residual) / determinant,
        (open_[0] * ahead.residual - open_[2] * right.residual) / determinant,
    )
    gain = pull[0] * right.residual + pull[1] * ahead.residual
    return right.variance * pull[0], ahead.variance * pull[1], gain


def tear_of(line: Line, arms: Arms, motion: Motion, at: int) -> tuple[float, float, float, float]:
    """Move to the right and ahead between knot `at` and the next of a torn path, and both sigmas, metres."""
    right, ahead = _place_links(line, arms, motion.habits, motion.state)
    blocks = motion.factored.covariances(), motion.factored.covariances_with_next()
    spread = [float(np.sqrt(max(_shared(link, link, *blocks)[at], 0.0))) for link in (right, ahead)]
    return float(right.residual[at]), float(ahead.residual[at]), spread[0], spread[1]


def _shared(first: Link, second: Link, same: np.ndarray, following: np.ndarray) -> np.ndarray:
    """Covariance of two links' residuals, (knot - 1), from blocks of each knot and with the next."""
    total = np.zeros(len(first.residual))
    for i, a in first.here.items():
        total += sum(a * b * same[i, j, :-1] for j, b in second.here.items())
        total += sum(a * b * following[i, j] for j, b in second.there.items())
    for i, a in first.there.items():
        total += sum(a * b * same[i, j, 1:] for j, b in second.there.items())
        total += sum(a * b * following[j, i] for j, b in second.here.items())
    return total


def place(arms: Arms, motion: Motion) -> Placed:
    """Place C and its body heading at every knot, with sigmas along and across travel."""
    state, back = motion.state, arms.back_m
    heading = state[COURSE] + state[CRAB]
    sine, cosine = np.sin(heading), np.cos(heading)
    covariance = motion.factored.covariances()

    solved = motion.factored.states
    held = motion.habits.crab_rad if solved == CRAB else 0.0
    swing = float(np.mean(arms.antenna_forward_m)) + back, float(np.mean(arms.antenna_right_m))

    def sigma(slope: dict[int, np.ndarray | float], of_crab_m: float) -> np.ndarray:
        known = {which: value for which, value in slope.items() if which < solved}
        terms = [a * b * covariance[i, j] for i, a in known.items() for j, b in known.items()]
        return np.sqrt(np.sum(terms, axis=0) + (held * of_crab_m) ** 2)

    return Placed(
        east_m=state[EAST] - back * sine,
        north_m=state[NORTH] - back * cosine,
        heading_rad=heading,
        along_m=sigma({EAST: sine, NORTH: cosine}, swing[1]),
        across_m=sigma({EAST: cosine, NORTH: -sine, COURSE: -back, CRAB: -back}, swing[0]),
        turn_rad=sigma({COURSE: 1.0, CRAB: 1.0}, 1.0),
    )


def ground_distance(line: Line, motion: Motion) -> np.ndarray:
    """Ground distance of C from the first knot, metres: wheel distance times its solved scale."""
    scale = 1.0 + 0.5 * (motion.state[SLIP, 1:] + motion.state[SLIP, :-1])
    return np.concatenate([[0.0], np.cumsum(np.diff(line.wheel_m) * scale)])


def _at_every_knot(seen: Sightings, arms: Arms, knots: int) -> tuple[Sightings, Arms]:
    """Give every knot a sighting: an infinitely noisy one where there is none. Plain slices are fast."""
    blank = {"white_m": np.inf, "heading_rad": np.nan}

    def spread(name: str, values: np.ndarray) -> np.ndarray:
        every = np.full(knots, blank.get(name, 0.0))
        every[seen.knot] = values
        return every

    columns = {name: spread(name, values) for name, values in vars(seen).items() if name != "knot"}
    forward, right = (spread("", values) for values in (arms.antenna_forward_m, arms.antenna_right_m))
    return Sightings(knot=slice(None), **columns), Arms(forward, right, arms.back_m)  # type: ignore[arg-type]


def _linearise(
    line: Line, seen: Sightings, arms: Arms, habits: Habits, state: np.ndarray
) -> tuple[Chain, float, tuple[np.ndarray, np.ndarray]]:
    """Build the normal equations about a state; also twice the energy, and residuals of the fixes there."""
    sensed = np.isfinite(seen.heading_rad).any()
    chain = Chain(state.shape[1], STATES if sensed else CRAB)
    energy = _add_start(chain, habits, state)
    energy += _add_links(chain, line, arms, habits, state)
    slopes, weights, residuals = _sighting_rows(line, seen, arms, habits, state)
    for slope, weight, residual in zip(slopes, weights, residuals, strict=True):
        chain.add_at(seen.knot, slope, weight, residual)
    energy += (habits.tail + 2.0) * float(np.log1p(_ratio(seen, residuals) / habits.tail).sum())
    return chain, energy + _add_headings(chain, seen, habits, state), residuals


def _add_start(chain: Chain, habits: Habits, state: np.ndarray) -> float:
    """Add what is known of the first knot; return its energy."""
    first = slice(0, 1)
    known = {CURVE: habits.curvature, SLIP: habits.scale, CRAB: habits.crab_rad, DRIFT_E: 1.0, DRIFT_N: 1.0}
    for which, sigma in known.items():
        chain.add_at(first, {which: 1.0}, sigma**-2, state[which, 0])
    return sum(float(state[which, 0] / sigma) ** 2 for which, sigma in known.items())


def _place_links(line: Line, arms: Arms, habits: Habits, state: np.ndarray) -> tuple[Link, Link]:
    """How far the non-slip point moved between neighbouring knots, less what it should: across, along."""
    here, there = state[:, :-1], state[:, 1:]
    length = np.diff(line.wheel_m)
    middle, change = 0.5 * (here + there), there - here
    floor = np.maximum(length, 1e-3)
    sine, cosine = np.sin(middle[COURSE]), np.cos(middle[COURSE])
    along = change[EAST] * sine + change[NORTH] * cosine
    across = change[EAST] * cosine - change[NORTH] * sine
    ground = length * np.sqrt(np.maximum(1.0 - (middle[CURVE] * arms.back_m) ** 2, 0.1))
    return (
        Link(
            {EAST: -cosine, NORTH: sine, COURSE: -0.5 * along},
            {EAST: cosine, NORTH: -sine, COURSE: -0.5 * along},
            habits.sideways_m**2 * floor + 1e-8 + habits.weave_m**2 * line.unseen_m + line.torn_m**2,
            across,
        ),
        Link(
            {EAST: -sine, NORTH: -cosine, COURSE: 0.5 * across, SLIP: -0.5 * ground},
            {EAST: sine, NORTH: cosine, COURSE: 0.5 * across, SLIP: -0.5 * ground},
            habits.along_m**2 * floor + 1e-8 + habits.wander_m**2 * line.unseen_m + line.torn_m**2,
            along - ground * (1.0 + middle[SLIP]),
        ),
    )


def _habit_links(line: Line, habits: Habits, state: np.ndarray) -> tuple[Link, ...]:
    """How course, curvature, wheel scale and crab angle change between neighbouring knots."""
    here, there = state[:, :-1], state[:, 1:]
    length = np.diff(line.wheel_m)
    change, floor = there - here, np.maximum(length, 1e-3)
    crab, one = np.exp(-floor / habits.crab_length_m), np.ones_like(length)
    turned = change[COURSE] - length * 0.5 * (here[CURVE] + there[CURVE])
    return (
        Link({COURSE: -1.0, CURVE: -0.5 * length}, {COURSE: 1.0, CURVE: -0.5 * length}, 1e-10 * one, turned),
        Link({CURVE: -1.0}, {CURVE: 1.0}, habits.steering**2 * floor, change[CURVE]),
        Link({SLIP: -1.0}, {SLIP: 1.0}, habits.slip**2 * floor, change[SLIP]),
        Link(
            {CRAB: -crab}, {CRAB: one}, habits.crab_rad**2 * (1.0 - crab**2), there[CRAB] - crab * here[CRAB]
        ),
    )


def _add_links(chain: Chain, line: Line, arms: Arms, habits: Habits, state: np.ndarray) -> float:
    """Add the motion between neighbouring knots; return its energy."""
    energy = 0.0
    for link in (*_place_links(line, arms, habits, state), *_habit_links(line, habits, state)):
        chain.add_links(link.here, link.there, 1.0 / link.variance, link.residual)
        energy += float((link.residual**2 / link.variance + np.log(link.variance)).sum())
    return energy + _add_drift(chain, line, state)


def _add_drift(chain: Chain, line: Line, state: np.ndarray) -> float:
    """Add the wandering of the GNSS drift; return its energy."""
    variance = np.maximum(1.0 - line.memory**2, 1e-7)
    energy = 2.0 * float(np.log(variance).sum())
    for which in (DRIFT_E, DRIFT_N):
        residual = state[which, 1:] - line.memory * state[which, :-1]
        chain.add_links({which: -line.memory}, {which: np.ones_like(variance)}, 1.0 / variance, residual)
        energy += float((residual**2 / variance).sum())
    return energy


def _ratio(seen: Sightings, residuals: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Squared residual in units of its standard deviation."""
    along, across = residuals
    return along**2 / (seen.white_m**2 + seen.along_m**2) + across**2 / seen.white_m**2


def _believed(habits: Habits, ratio: np.ndarray) -> np.ndarray:
    """Weight of a fix: about 1 where it agrees, near 0 for a jump."""
    return (habits.tail + 2.0) / (habits.tail + ratio)


def _sighting_rows(line: Line, seen: Sightings, arms: Arms, habits: Habits, state: np.ndarray):
    """Derivatives, weights and residuals (model less fix) of the fixes, along and across the body."""
    at, drift = state[:, seen.knot], line.drift_m[seen.knot]
    body = at[COURSE] + at[CRAB]
    sine, cosine = np.sin(body), np.cos(body)
    off_e = at[EAST] + drift * at[DRIFT_E] - seen.east_m
    off_n = at[NORTH] + drift * at[DRIFT_N] - seen.north_m
    along = off_e * sine + off_n * cosine + arms.antenna_forward_m
    across = off_e * cosine - off_n * sine + arms.antenna_right_m
    turn = (-arms.antenna_right_m, arms.antenna_forward_m)
    rows = tuple(
        {EAST: e, NORTH: n, COURSE: arm, CRAB: arm, DRIFT_E: drift * e, DRIFT_N: drift * n}
        for e, n, arm in ((sine, cosine, turn[0]), (cosine, -sine, turn[1]))
    )
    believed = _believed(habits, _ratio(seen, (along, across)))
    weights = (believed / (seen.white_m**2 + seen.along_m**2), believed / seen.white_m**2)
    return rows, weights, (along, across)


def _add_headings(chain: Chain, seen: Sightings, habits: Habits, state: np.ndarray) -> float:
    """Add the headings of a two-antenna sensor; return their energy."""
    has = np.flatnonzero(np.isfinite(seen.heading_rad))
    at = state[:, has]
    off = at[COURSE] + at[CRAB] - seen.heading_rad[has]
    off = (off + np.pi) % (2 * np.pi) - np.pi
    variance = seen.heading_sigma_rad[has] ** 2
    ratio = off**2 / variance
    believed = (habits.tail + 1.0) / (habits.tail + ratio)
    one = np.ones(at.shape[1])
    chain.add_at(has, {COURSE: one, CRAB: one}, believed / variance, off)
    return (habits.tail + 1.0) * float(np.log1p(ratio / habits.tail).sum())
