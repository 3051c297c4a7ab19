"""Solve the paver's path: fixes and wheel in, places by distance with their sigmas out.

The path is solved in ground metres on a local plane, as a function of wheel distance, a piece at a time; a
piece is a stated pass, cut where the machine moved while the logger was off, or the scanner on the machine.
Limits of the lot play no part here, so a log cut into two lots shares its path.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..config import AcceptSection, CrsSection, RigSection, SetUp
from ..errors import InputError, MismatchError
from ..kernels import motion, odometry
from ..model import Doubt, LotInputs, Trajectory
from ..track import clock as clocks
from ..track import columns, diagnosis, logs, noise, pieces, plane, steps
from ..track.rigs import Rigs

PIECE_GAP_M = 0.01  # between the distances of two pieces
CLOCK_ROUNDS = 4


def solve_trajectory(
    inputs: LotInputs,
    crs: CrsSection,
    rig: RigSection,
    accept: AcceptSection,
    later: tuple[SetUp, ...] = (),
) -> Trajectory:
    """Solve the path of C, the point of the mat below the scanner.

    Parameters
    ----------
    inputs : LotInputs
        Fixes, wheel and passes are used.
    crs : CrsSection
        Frames of the fixes and of the map.
    rig : RigSection
        Lever arms, clock offset, sigmas.
    accept : AcceptSection
        When to stop.
    later : tuple of SetUp
        Rigs from a moment on, in order of time: [[change]]. An antenna that was moved has another arm from
        there on; the path itself goes through. Where C itself sits elsewhere a new piece begins.

    Raises
    ------
    ConfigError
        No operation of known accuracy between the two frames.
    InputError
        Too many autonomous fixes, or none that place anything.
    MismatchError
        Fixes and wheel are of different times, or disagree on the distance.
    """
    ground = plane.make_plane(inputs.fixes, crs)
    rigs = Rigs.of(rig, later, logs.origin_of(inputs))
    sigma_m, doubts = noise.fix_sigma(inputs.fixes, rigs)
    doubts += noise.judge_quality(inputs.fixes, accept)
    both = logs.align(inputs, sigma_m, rigs)
    first = clocks.first_clock(both, rig)
    both = logs.scale_wheel(both, first.offset_s, rigs)
    both = logs.turn_back_ups(both, first.offset_s)
    logs.compare_distance(both, first.offset_s, inputs.passes, accept)
    solver = _Solver(both, inputs, ground, rig, rigs)
    try:
        clock = solver.solve(first)
    except np.linalg.LinAlgError:
        raise MismatchError(
            "fixes and wheel describe no path that one machine can follow: check clock_offset, the "
            "wheel's scale, and that both logs are of the same paver and day"
        ) from None
    doubts += clocks.clock_doubts(clock, first, rig.clock_offset_s == "auto")
    return _assemble(solver, clock, accept, doubts)


class _Solver:
    """The pieces of one lot, solved for one clock offset at a time."""

    def __init__(
        self, both: logs.Logs, inputs: LotInputs, ground: plane.Plane, rig: RigSection, rigs: Rigs
    ) -> None:
        self.rigs = rigs
        self.logs, self.passes, self.plane, self.rig = both, inputs.passes, ground, rig
        self.noise = noise.first_noise(both)
        self.cuts: tuple[logs.Cut, ...] = ()
        self.pieces: list[pieces.Piece | None] = []

    @property
    def solved(self) -> list[pieces.Piece]:
        return [piece for piece in self.pieces if piece is not None]

    def solve(self, first: clocks.Clock) -> clocks.Clock:
        """Solve all pieces; with `auto` also the clock, where the motion tells it well."""
        self._solve_first(first.offset_s)
        auto, offset = self.rig.clock_offset_s == "auto", first.offset_s
        worst_s = clocks.SPEEDS_SIGMA_S if first.is_near else clocks.WORST_SIGMA_S
        shift, sigma = clocks.shift(self.solved, self.logs)
        for _ in range(CLOCK_ROUNDS if auto else 0):
            if not sigma <= worst_s or clocks.is_at_rest(shift, sigma):
                break
            before = self.pieces, self.cuts, offset, shift, sigma
            offset += float(np.clip(shift, -clocks.LARGEST_STEP_S, clocks.LARGEST_STEP_S))
            self._solve_again(offset)
            shift, sigma = clocks.shift(self.solved, self.logs)
            too_far = shift * before[3] < 0 and not abs(shift) < abs(before[3])
            if too_far or not sigma <= worst_s:
                self.pieces, self.cuts, offset, shift, sigma = before
                break
        if auto and not clocks.is_at_rest(shift, sigma):
            sigma = float(np.hypot(sigma, shift))
        told_s = min(sigma, worst_s) if first.is_near else sigma
        return replace(
            first,
            offset_s=offset,
            sigma_s=told_s if auto and told_s <= worst_s else float("nan"),
            found_s=offset + shift,
            found_sigma_s=sigma,
        )

    def _gather(self, offset_s: float) -> list[pieces.Spots | None]:
        turns_s = self.rigs.turns_s("non_slip_forward_m")
        self.cuts = logs.cut_pieces(self.logs, offset_s, self.passes, turns_s)
        return [
            pieces.gather(self.logs, offset_s, cut, self.plane, self.noise, self.rigs) for cut in self.cuts
        ]

    def _solve_first(self, offset_s: float) -> None:
        """Solve roughly, measure the drift, solve with the habits the logs ask for."""
        spots = self._gather(offset_s)
        rough = [None if item is None else pieces.solve_roughly(item, self.noise) for item in spots]
        self.noise = noise.measure_drift([piece for piece in rough if piece is not None], self.noise)
        self.pieces = [
            None if piece is None else pieces.solve_well(piece.spots, self.noise, piece) for piece in rough
        ]

    def _solve_again(self, offset_s: float) -> None:
        """Solve at another clock offset with the habits found before."""
        before = self.pieces
        spots = self._gather(offset_s)
        if [item is None for item in spots] != [piece is None for piece in before]:
            self._solve_first(offset_s)
            return
        self.pieces = [
            None if piece is None else pieces.solve_near(item, self.noise, piece)
            for item, piece in zip(spots, before, strict=True)
        ]


def _assemble(
    solver: _Solver, clock: clocks.Clock, accept: AcceptSection, doubts: tuple[Doubt, ...]
) -> Trajectory:
    """Join the pieces on one running distance and put them on the map."""
    both, ground = solver.logs, solver.plane
    scale = diagnosis.mean_scale(solver.solved)
    if abs(scale - 1.0) > accept.wheel_gnss_frac:
        raise MismatchError(logs.scale_message(scale, accept))
    distance, reach, knots = _run_on(solver, clock, scale)
    if not (knots["knot_placed"] > 0).any():
        raise InputError(diagnosis.nothing_placed(solver.solved, solver.rig))
    moved = tuple(step for piece in solver.solved for step in steps.find_steps(piece))
    utc_ns = np.round((both.row_s - clock.offset_s) * 1e9).astype(np.int64)
    return Trajectory(
        crs=ground.crs,
        time_utc=both.origin + utc_ns.astype("m8[ns]"),
        distance_m=distance,
        reach_m=reach,
        speed_mps=odometry.speed_of_rows(both.row_s, distance),
        pass_code=logs.passes_of_rows(both, clock.offset_s, solver.passes),
        **knots,
        clock_offset_s=clock.offset_s,
        clock_offset_sigma_s=clock.sigma_s,
        wheel_scale=scale,
        point_scale=ground.grid_per_ground,
        convergence_deg=ground.convergence_deg,
        operation=ground.operation.as_dict(),
        diagnosis=diagnosis.diagnose(solver.solved, solver.noise, clock, both, moved),
        doubts=(
            *doubts,
            *diagnosis.path_doubts(solver.solved, knots, ground, solver.noise, both, solver.rig.antenna_up_m),
            *diagnosis.step_doubts(moved, both),
        ),
    )


def _run_on(
    solver: _Solver, clock: clocks.Clock, scale: float
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Distance and reach of every row over all pieces, and the knots of the solved ones."""
    both = solver.logs
    if not solver.solved:
        raise InputError(diagnosis.nothing_placed([], solver.rig))
    distance, reach = np.empty(len(both.row_s)), np.empty(len(both.row_s))
    parts, reached = [], 0.0
    for number, (cut, piece) in enumerate(zip(solver.cuts, solver.pieces, strict=True)):
        wheel = both.wheel_m[cut.rows]
        if piece is None:
            own = scale * (wheel - wheel.min())
        else:
            own = np.interp(wheel, piece.line.wheel_m, motion.ground_distance(piece.line, piece.solved))
            parts.append(columns.knot_columns(piece, reached, number, solver.plane, solver.rig, clock))
        distance[cut.rows] = reached + own
        reach[cut.rows] = np.maximum.accumulate(distance[cut.rows])
        reached = float(reach[cut.rows][-1]) + PIECE_GAP_M
    return distance, reach, {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
