"""Put a lot together: plan, motion, mat and sensors in; files, arrays and truth out."""

from __future__ import annotations

from functools import partial

import numpy as np

from .lotfile import lot_toml
from .mat import CODE_BASE_C, code_of, foreign_objects, planted_patches, read_back, true_temperatures
from .motion import Body, Motion, make_motions, pass_at, ticks, utc
from .nmea import nmea
from .plan import LotPlan, Patch
from .planted import (
    line_stations,
    people_outlines,
    spot_stations,
    true_gaps,
    true_speeds,
    true_stops,
    true_zones,
)
from .road import Site, make_site
from .sensors import make_fixes, wheel_log
from .texts import alignment_file, scan_files
from .truth import Logged, LotFiles, SyntheticLot, Truth

Arrays = dict[str, np.ndarray]


def make_lot(plan: LotPlan | None = None) -> SyntheticLot:
    """Make a lot: its files as bytes, written when asked for, the arrays they hold, and the truth.

    Examples
    --------
    >>> from thermosaic import synthetic
    >>> lot = make_lot(LotPlan(road=(synthetic.straight(60.0),)))
    >>> sorted(lot.files)
    ['centreline.geojson', 'gnss.nmea', 'lot.toml', 'scan.csv']
    """
    plan = plan or LotPlan()
    site = make_site(plan)
    motions = make_motions(plan, site)
    patches = planted_patches(plan, motions)
    lines, fixes = _all_lines(plan, motions, patches), make_fixes(plan, motions)
    truth = _truth(plan, motions, patches, lines, fixes)
    logged = _logged(plan, motions, lines, truth, fixes)
    files = LotFiles(partial(_write_files, plan, site, motions, logged, fixes))
    return SyntheticLot(plan, files, truth, logged, site, motions)


def _write_files(
    plan: LotPlan, site: Site, motions: tuple[Motion, ...], logged: Logged, fixes: Arrays
) -> dict[str, bytes]:
    """Write the logs, the alignment and lot.toml."""
    files = scan_files(plan, logged, motions) | {"gnss.nmea": nmea(plan, fixes, logged.fix_time_utc)}
    if plan.alignment:
        files["centreline.geojson"] = alignment_file(plan, site)
    files["lot.toml"] = lot_toml(plan, site, motions, files)
    return files


def _line_times(plan: LotPlan, motions: tuple[Motion, ...]) -> np.ndarray:
    time_s = ticks(motions, plan.scanner.rate_hz)
    if not plan.scanner.rows_pause:
        return time_s
    code = pass_at(motions, time_s)
    return np.concatenate([t[m.speed(t) != 0] for m in motions for t in (time_s[code == m.code],)])


def _all_lines(plan: LotPlan, motions: tuple[Motion, ...], patches: tuple[Patch, ...]) -> Arrays:
    """Return the truth of every line, passes one after the other."""
    time_s = _line_times(plan, motions)
    code = pass_at(motions, time_s)
    parts = [_pass_lines(plan, motion, patches, time_s[code == motion.code]) for motion in motions]
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _pass_lines(plan: LotPlan, motion: Motion, patches: tuple[Patch, ...], time_s: np.ndarray) -> Arrays:
    """Return the truth of one pass's lines."""
    place_m = motion.distance(time_s)
    body = motion.body(place_m)
    foreign, foreign_c = foreign_objects(plan, motion, time_s)
    station_m, offset_m = line_stations(plan, motion, place_m)
    laid_m = place_m - plan.rig.screed_forward_m
    reach_m = np.maximum.accumulate(place_m)
    return {
        "time_s": time_s,
        "code": np.full(len(time_s), motion.code, dtype=np.int16),
        "distance_m": motion.base_m + place_m,
        "reach_m": motion.base_m + reach_m,
        "first_look": np.concatenate([[True], np.diff(reach_m) > 1e-6]),
        "speed_mps": motion.speed(time_s),
        "laid_s": np.where(laid_m >= 0, motion.first_time(laid_m), np.nan),
        "station_m": station_m,
        "offset_m": offset_m,
        "temp_c": true_temperatures(plan, motion, patches, time_s),
        "foreign": foreign,
        "foreign_c": foreign_c,
        **_places(plan, motion, body),
    }


def _places(plan: LotPlan, motion: Motion, body: Body) -> Arrays:
    """Return map places of C and the spots, and the spots' stations where these are coded."""
    right_m, site = plan.scanner.spot_right_m, motion.site
    easting, northing = site.map_m(body.east_m, body.north_m)
    spot_easting, spot_northing = site.map_m(*body.point(0.0, right_m))
    places = {
        "easting_m": easting,
        "northing_m": northing,
        "heading_deg": np.degrees(body.heading) % 360,
        "spot_easting_m": spot_easting,
        "spot_northing_m": spot_northing,
    }
    if plan.mat.coded == "station_m":
        places["spot_station_m"] = spot_stations(plan, motion, body, right_m)[0]
    return places


def _truth(
    plan: LotPlan, motions: tuple[Motion, ...], patches: tuple[Patch, ...], lines: Arrays, fixes: Arrays
) -> Truth:
    """Gather the truth; a coded mat has temperatures that tell the place."""
    site = motions[0].site
    temp_c, zero, gain = lines["temp_c"], 0.0, 0.0
    if plan.mat.coded:
        value = lines[f"spot_{plan.mat.coded}"]
        zero, gain = code_of(value)
        temp_c = CODE_BASE_C + (value - zero) * gain
    names = (
        "distance_m", "reach_m", "first_look", "speed_mps", "easting_m", "northing_m", "heading_deg",
        "station_m", "offset_m", "spot_easting_m", "spot_northing_m", "foreign",
    )  # fmt: skip
    return Truth(
        crs=site.crs,
        time_utc=utc(plan, lines["time_s"]),
        pass_code=lines["code"],
        laid_utc=utc(plan, lines["laid_s"]),
        look_age_s=lines["time_s"] - lines["laid_s"],
        temp_c=temp_c,
        stops=true_stops(plan, motions),
        speeds=true_speeds(plan, motions),
        zones=true_zones(plan, motions, patches),
        gaps=true_gaps(plan, motions),
        people=people_outlines(plan, motions),
        wheel_scale=plan.wheel.scale,
        clock_offset_s=plan.scanner.clock_offset_s,
        grid_scale=site.grid_scale,
        convergence_deg=site.convergence_deg,
        code_gain=gain,
        code_zero=zero,
        code_base_c=CODE_BASE_C,
        fix_easting_m=fixes["easting_m"],
        fix_northing_m=fixes["northing_m"],
        **{name: lines[name] for name in names},
    )


def _logged(plan: LotPlan, motions: tuple[Motion, ...], lines: Arrays, truth: Truth, fixes: Arrays) -> Logged:
    """Return what the sensors wrote, each on its own clock."""
    offset = np.timedelta64(round(plan.scanner.clock_offset_s * 1000), "ms")
    wheel_s = ticks(motions, plan.wheel.own_log_hz) if plan.wheel.own_log_hz else lines["time_s"]
    blank = np.full(len(fixes["time_s"]), np.nan)
    return Logged(
        scan_time_utc=truth.time_utc + offset,
        temp_c=read_back(plan, truth.temp_c, truth.foreign, lines["foreign_c"]).astype(np.float32),
        spot_right_m=plan.scanner.spot_right_m,
        wheel_time_utc=utc(plan, wheel_s) + offset,
        wheel_m=wheel_log(plan, motions, wheel_s),
        fix_time_utc=utc(plan, fixes["time_s"]),
        lon_deg=fixes["lon_deg"],
        lat_deg=fixes["lat_deg"],
        height_m=fixes["height_m"],
        quality=fixes["quality"],
        sigma_m=fixes["sigma_m"] if plan.gnss.gst else blank,
        fix_heading_deg=fixes["heading_deg"] if plan.gnss.heading_sigma_deg is not None else blank,
    )
