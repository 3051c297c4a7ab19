"""What the scanner reaches: where each spot falls, how large it is, how spots overlap, which lie on the mat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..delivery import tell, together
from ..kernels.scan_geometry import footprint_growth, on_mat, spot_pitches
from ..model import EquipmentCheck

STEEPEST_DEG = (
    60.0  # of incidence: from there a rough surface's emissivity has clearly fallen (common practice)
)


@dataclass(frozen=True, eq=False, slots=True)
class Reach:
    """The verdict, one row a spot, and the widths."""

    check: EquipmentCheck
    spots: pd.DataFrame  # spot, angle_deg, right_m, across_m, along_m, pitch_m, overlap_frac, on_mat
    paved_m: float
    scanned_m: float  # outer ends of the outermost pitches on the mat; 0 where none


def reach(
    right_m: np.ndarray,
    height_m: float,
    mat_left_m: float,
    mat_right_m: float,
    view_deg: float,
) -> Reach:
    """Lay the spots of a scanner on the mat.

    Parameters
    ----------
    right_m : numpy.ndarray
        (spot) centres right of C, in column order, m.
    height_m : float
        Optics above the mat, m, straight above C.
    mat_left_m, mat_right_m : float
        Edges of the paved mat from C, right positive, m.
    view_deg : float
        Full angle that one spot sees; a distance-to-spot ratio of N is 2 atan(1 / 2N).

    Returns
    -------
    Reach
        A spot straight below is 2 H tan(view / 2) wide; away from there it grows 1 / cos2 across and 1 / cos
        along. Overlap = (footprint across - pitch) / footprint across, negative for a gap.
    """
    right = np.asarray(right_m, float)
    if not (height_m > 0 and 0 < view_deg < 90):
        raise ValueError("height must be above 0 and the angle of view between 0 and 90 degrees")
    angle = np.degrees(np.arctan2(right, height_m))
    across, along = footprint_growth(angle)
    nadir = 2 * height_m * np.tan(np.radians(view_deg) / 2)
    pitch = spot_pitches(right)
    width = pitch[:, 1] - pitch[:, 0]
    inside = on_mat(pitch, mat_left_m, mat_right_m)
    spots = pd.DataFrame(
        {
            "spot": np.arange(1, len(right) + 1),
            "angle_deg": angle,
            "right_m": right,
            "across_m": nadir * across,
            "along_m": nadir * along,
            "pitch_m": width,
            "overlap_frac": 1.0 - width / (nadir * across),
            "on_mat": inside,
        }
    )
    scanned = float(pitch[inside, 1].max() - pitch[inside, 0].min()) if inside.any() else 0.0
    return Reach(_verdict(spots, mat_right_m - mat_left_m, scanned), spots, mat_right_m - mat_left_m, scanned)


def _verdict(spots: pd.DataFrame, paved: float, scanned: float) -> EquipmentCheck:
    """Judge what the spots reach, in one sentence."""
    used = spots[spots["on_mat"]]
    text = tell(
        "{used} of {spots} spots lie wholly on the mat: {scanned_m:.3f} scanned of {paved_m:.3f} paved",
        used=len(used), spots=len(spots), scanned_m=scanned, paved_m=paved,
    )  # fmt: skip
    problems = []
    if len(used) == 0:
        problems.append("no spot lies on the mat")
    else:
        steepest, gap = float(used["angle_deg"].abs().max()), float(used["overlap_frac"].min())
        text += f", steepest at {steepest:.0f} deg, smallest overlap {100 * gap:.0f} %"
        if steepest > STEEPEST_DEG:
            problems.append(f"beyond {STEEPEST_DEG:.0f} deg a surface sends less: raise the scanner")
        if gap < 0:
            problems.append("spots leave gaps: a cold patch between two is not seen")
        if paved - scanned > 2 * float(used["pitch_m"].max()):
            problems.append("a strip of the mat wider than a spot is not seen at an edge")
    verdict = "fail" if len(used) == 0 else "look" if problems else "pass"
    return EquipmentCheck("reach", scanned, "m", paved, "m", verdict, together([text, *problems], "; "), None)
