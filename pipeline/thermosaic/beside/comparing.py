"""Lots compared in space: open published results, bring them onto one map, compare, publish what was found.

Not done here: what coincides and what chance gives (`studies/compare_lifts`), and any file of the folder
(`files/compared`).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely

from ..datum import Operation
from ..delivery import errors_in_units, in_units, tell
from ..errors import ConfigError, MismatchError
from ..files.compared.folder import publish
from ..files.compared.pair import Pair
from ..files.compared.sentences import statements
from ..files.looks.ramp import ColourRamp
from ..files.parquet import SPOTS_FILE, read_columns
from ..files.sheets.lift_sheet import LiftSheet, Link, Strip
from ..files.sheets.lot_sheet import LotSheet, read_sheet
from ..files.sheets.onto import onto_map, shapes_on_map
from ..findings.refound import field_again
from ..results import open_result
from ..studies.compare_lifts import Along, Comparison, Lift, Line, Readings, compare_lifts

READ_COLUMNS = (
    "line", "spot", "pass_id", "look_age_s", "easting_m", "northing_m", "station_m", "offset_m", "temp_c",
    "dropped_reason",
)  # fmt: skip
OFF_ENDS = {"si": (-35.0, 10.0), "us": (-60.0, 20.0)}  # degC, degF against the own mat: ends of the colours


def compare(results: tuple[Path, ...], out: Path, overwrite: bool = False) -> tuple[str, ...]:
    """Compare the first result with each of the others in space, and publish what was found as a folder.

    Parameters
    ----------
    results : tuple of Path
        Published results; map, units, cell, stations and labels are those of the first.
    out : Path
        Folder to publish, whole or not at all.

    Returns
    -------
    tuple of str
        What was found, in plain sentences, in the units of the first.

    Raises
    ------
    ConfigError
        Fewer than two results, one of them twice, no folder, or `out` exists.
    MismatchError
        Maps that cannot be brought together, or no mat in common.
    ProductError
        A result that is not whole, or a product that fails its check.
    """
    if len(results) < 2:
        raise ConfigError(
            "compare: name two results or more, like: compare lift1_result lift2_result -o compared"
        )
    for path in results:
        open_result(path)
    sheets = [read_sheet(Path(path)) for path in results]
    ids = [sheet.config["lot"]["id"] for sheet in sheets]
    if len(set(ids)) < len(ids):
        raise ConfigError(f"compare: a lot is named twice: {', '.join(ids)}")
    first, to = sheets[0], sheets[0].measures
    with errors_in_units(to.delivery, to.foot_m):
        done = [_pair(first, sheet) for sheet in sheets[1:]]
    publish(done, out, overwrite)
    return tuple(in_units(text, to.delivery, to.foot_m) for pair in done for text in statements(pair))


def _pair(first: LotSheet, sheet: LotSheet) -> Pair:
    """Compare two results, and put together what is published of them."""
    operation, frame_sigma_m = onto_map(first, sheet)
    found = _compare(first, sheet, operation, frame_sigma_m)

    def difference_at(easting_m: np.ndarray, northing_m: np.ndarray) -> np.ndarray:
        values = np.full(len(easting_m), np.nan)
        for item in found.along:
            values = np.where(np.isfinite(values), values, item.field.difference_at(easting_m, northing_m))
        return values

    sheets = (sheet, first) if found.one.lot_id == sheet.config["lot"]["id"] else (first, sheet)
    drawn = tuple(_lift_sheet(found, item, sheets, first) for item in found.along)
    return Pair((first, sheet), found.frames, found.mat, difference_at, drawn, operation, frame_sigma_m)


def _lift_sheet(
    found: Comparison, along: Along, sheets: tuple[LotSheet, LotSheet], first: LotSheet
) -> LiftSheet:
    """What is drawn along one line: both lots against their own mats; `sheets` upper first."""
    field, words = along.field, ("upper", "lower") if found.one.lift > found.other.lift else ("one", "other")
    strips = tuple(
        Strip(
            name=f"lift {lift.lift}, {word}", off_delta_c=-values, profiles=along.profiles(which),
            class_words=len(sheet.class_words), zones=along.drawn("zone", which), stops=along.drawn("stop", which),
        )
        for which, (lift, word, values, sheet) in enumerate(
            zip((found.one, found.other), words, (field.one, field.other), sheets, strict=True)
        )
    )  # fmt: skip
    met = found.frames["coincidences"]
    met = met[met["pass_id"] == field.line.pass_id]
    units = first.measures.delivery
    over = "over" if words[0] == "upper" else "and"
    return LiftSheet(
        title=f"{found.one.lot_id} {over} {found.other.lot_id}", stretch_m=field.stretch_m,
        corner_m=(field.line.zero_m + field.col0 * field.cell_m, field.row0 * field.cell_m), cell_m=field.cell_m,
        profile_m=float(first.config["rules"]["profile"]["length_m"]), strips=strips,
        links=tuple(
            Link(item.kind, (item.number, item.other_number), (item.station_from_m + item.station_to_m) / 2)
            for item in met.itertuples()
        ),
        ramp=ColourRamp(*OFF_ENDS[units], first.measures.unit("delta").name), measures=first.measures,
    )  # fmt: skip


def _compare(
    first: LotSheet, sheet: LotSheet, operation: Operation | None, frame_sigma_m: float
) -> Comparison:
    """Compare two results; the upper of two lifts is the one that is counted over the other."""
    lines = tuple(
        Line(pass_id, float(first.quality["mat_frames"][pass_id]["zero_m"]), spine.station_m, spine.easting_m,
             spine.northing_m, spine.middle_m, spine.half_m)
        for pass_id, spine in first.spines.items() if len(spine.station_m) > 1
    )  # fmt: skip
    lifts = [_lift(first, None), _lift(sheet, operation)]
    lifts.sort(key=lambda item: -item.lift)
    try:
        return compare_lifts(
            lifts[0], lifts[1], lines, float(first.quality["statistic"]["cell_m"]), frame_sigma_m,
            float(first.quality["grid"]["point_scale"]),
        )  # fmt: skip
    except ValueError:
        raise MismatchError(_apart(first, sheet, operation)) from None


def _apart(first: LotSheet, sheet: LotSheet, operation: Operation | None) -> str:
    """Say how far two lots lie from each other."""
    mats = [shapes_on_map(item, "mat", by) for item, by in ((first, None), (sheet, operation))]
    away_m = float(shapely.distance(shapely.union_all(mats[0]), shapely.union_all(mats[1])))
    ids = first.config["lot"]["id"], sheet.config["lot"]["id"]
    where = tell("their mats lie {away_m:,.1f} apart", away_m=away_m) if away_m > 0 else "they only touch"
    return tell(
        "{one} and {other} have no mat in common: {where} in {crs}; compare lots of the same lane and stretch",
        one=ids[0], other=ids[1], where=where, crs=first.crs.name,
    )  # fmt: skip


def _lift(sheet: LotSheet, operation: Operation | None) -> Lift:
    """A result as it is compared: its layers and deficits on the first one's map."""
    layers = {
        name: sheet.frames[name].set_geometry(shapes_on_map(sheet, name, operation))
        for name in ("cold_zones", "stops", "profiles")
    }
    lot = sheet.config["lot"]
    return Lift(
        lot_id=lot["id"], lift=int(lot["lift"]), zones=layers["cold_zones"], stops=layers["stops"],
        profiles=layers["profiles"], readings=_readings(sheet, operation), sigma_m=sheet.measures.sigma_m,
    )  # fmt: skip


def _readings(sheet: LotSheet, operation: Operation | None) -> Readings:
    """First looks at mat, each with its deficit below the local reference, whatever the rule compares with."""
    spots = read_columns(sheet.folder / SPOTS_FILE, READ_COLUMNS)
    rules = sheet.config["rules"]
    rules = {**rules, "zone": {**rules["zone"], "reference": "local"}}
    held, deficits = [], []
    for pass_id, frame in sheet.quality["mat_frames"].items():
        own = spots[spots["pass_id"].astype(str) == pass_id]
        if own.empty:
            continue
        made = field_again(own, frame["travel"], float(frame["zero_m"]), rules, None)
        deficit = made.reference_c - own["temp_c"].to_numpy()
        use = made.clean & np.isfinite(deficit)
        held.append(own.loc[use, ["easting_m", "northing_m"]].to_numpy(float))
        deficits.append(deficit[use])
    east, north = np.concatenate([np.empty((0, 2)), *held]).T
    if operation is not None:
        east, north = operation.forward(east / sheet.factor, north / sheet.factor)
    return Readings(east, north, np.concatenate([np.empty(0), *deficits]))
