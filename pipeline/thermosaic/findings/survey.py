"""All that the findings of one lot stand on, gathered once: passes, readings, cold fields, stops, motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..config import RuleProfile
from ..model import LotInputs, Stations, Swath, Trajectory
from .mat import PassMat, pass_mats
from .readings import PassReadings, pass_readings, rows_of_lot
from .speeds import Motion, pass_motions
from .stops import Stop, find_stops
from .verdicts import aged_lines, excluded_readings
from .zones import ColdField, cold_field


@dataclass(frozen=True, eq=False, slots=True)
class Survey:
    """One entry a pass in mats, readings and fields; a pass without wheel rows has no motion."""

    mats: tuple[PassMat, ...]
    rows: np.ndarray  # bool (line, spot): is a row of the product
    readings: tuple[PassReadings, ...]
    fields: tuple[ColdField, ...]
    motions: tuple[Motion, ...]
    stops: tuple[Stop, ...]
    waiting_s: float  # standing before a pass moves off, or after its last move
    excluded: np.ndarray  # bool (line, spot)
    foreign: np.ndarray  # bool (line, spot)
    sigma_m: np.ndarray  # (line) position sigma, NaN without position

    def motion_of(self, mat: PassMat) -> Motion | None:
        return next((motion for motion in self.motions if motion.mat is mat), None)


def survey_lot(
    swath: Swath,
    stations: Stations,
    trajectory: Trajectory,
    inputs: LotInputs,
    rules: RuleProfile,
    laydown_target_c: float | None,
) -> Survey:
    """Gather what all findings share."""
    mats = pass_mats(swath, stations, trajectory, inputs)
    rows = rows_of_lot(swath, stations)
    readings = tuple(pass_readings(mat, rows, swath, stations, rules.zone.cell_m) for mat in mats)
    aged = aged_lines(swath, rules.window.look_age_s)
    fields = tuple(cold_field(block, swath, rules.zone, aged, laydown_target_c) for block in readings)
    stops, waiting_s = find_stops(trajectory, mats, rules.stop, swath)
    foreign = np.zeros(rows.shape, bool)
    for field in fields:
        foreign[field.readings.place] = field.foreign
    return Survey(
        mats=mats,
        rows=rows,
        readings=readings,
        fields=fields,
        motions=pass_motions(trajectory, swath, mats, stops),
        stops=stops,
        waiting_s=waiting_s,
        excluded=excluded_readings(rows, swath, stations, inputs.exclusions),
        foreign=foreign,
        sigma_m=_line_sigma(swath),
    )


def _line_sigma(swath: Swath) -> np.ndarray:
    """Position sigma of each line: root mean square over its spots on the mat; NaN without position."""
    sigma = np.empty(len(swath.line))
    for code, layout in enumerate(swath.layouts):
        here = (swath.layout == code) if len(swath.layouts) > 1 else slice(None)
        along, across = (part[here][:, layout.on_mat] for part in (swath.sigma_along_m, swath.sigma_across_m))
        sigma[here] = np.sqrt((along**2 + across**2).mean(axis=1, dtype=np.float64))
    return sigma
