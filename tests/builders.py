"""Lots with truth for the tests, and the nouns of the flow straight from that truth (no stage code)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyproj

from thermosaic import model, synthetic
from thermosaic.synthetic import LotPlan, PassPlan, SyntheticLot, Truth

KNOT_STEP_M = 0.1


def write_lot(folder: Path, lot: SyntheticLot) -> Path:
    """Write a lot's files into `folder` and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in lot.files.items():
        (folder / name).write_bytes(content)
    return folder


def write_site_files(folder: Path, lot: SyntheticLot, persons: tuple[str, str]) -> None:
    """Write a diary of the lot's stops, a hand reading and a ticket in each quarter of it, by the truth."""
    truth, plan = lot.truth, lot.plan
    entries = [
        f"{stop.start_utc}Z,{stop.end_utc}Z,truck,{persons[0]} waited for a truck" for stop in truth.stops
    ]
    (folder / "diary.csv").write_text("\n".join(["from_utc,to_utc,kind,text", *entries, ""]))
    degrees = pyproj.Transformer.from_crs(plan.map_crs, plan.fixes_crs, always_xy=True)
    count, spots = truth.spot_easting_m.shape
    foot_m = pyproj.CRS(plan.map_crs).axis_info[0].unit_conversion_factor
    points, tickets = ["point_id,lon_deg,lat_deg,time_utc,temp_c,text"], ["time_utc,mass_t,ticket_id"]
    for number, line in enumerate(range(count // 8, count, count // 4), start=1):
        here = (truth.spot_easting_m[line, spots // 2], truth.spot_northing_m[line, spots // 2])
        lon_deg, lat_deg = degrees.transform(*(metres / foot_m for metres in here))
        temp_c = truth.temp_c[line, spots // 2]
        points.append(
            f"H{number},{lon_deg:.9f},{lat_deg:.9f},{truth.time_utc[line]}Z,{temp_c:.1f},hand reading by {persons[1]}"
        )
        tickets.append(f"{truth.time_utc[line]}Z,22.0,T{number}")
    (folder / "control.csv").write_text("\n".join([*points, ""]))
    (folder / "tickets.csv").write_text("\n".join([*tickets, ""]))


# ------------------------------------------------------------------------------------------ some lots


def one_bend_lot(**changes: object) -> SyntheticLot:
    """Make 150 m with a 60 m radius bend to the right, clothoids on both sides."""
    road = (synthetic.straight(60.0), *synthetic.bend(60.0, 40.0, lead_m=15.0), synthetic.straight(40.0))
    return synthetic.make_lot(LotPlan(**{"road": road, "lot_id": "SYN-BEND", **changes}))


def one_stop_lot(**changes: object) -> SyntheticLot:
    """Make a straight lot with one stop of 90 s after 60 m."""
    passes = (PassPlan(stops=(synthetic.Stop(60.0, 90.0),)),)
    return synthetic.make_lot(LotPlan(**{"passes": passes, "lot_id": "SYN-STOP", **changes}))


def bend_and_stop_lot(**changes: object) -> SyntheticLot:
    """Make the session's lot: a bend, a stop, a cold patch in each half, clean RTK."""
    road = (synthetic.straight(50.0), *synthetic.bend(80.0, 25.0, lead_m=15.0), synthetic.straight(50.0))
    passes = (PassPlan(stops=(synthetic.Stop(70.0, 60.0),), speeds=((0.0, 0.12), (100.0, 0.09))),)
    patches = (synthetic.Patch(30.0, 2.4, 0.6, 1.2, 22.0), synthetic.Patch(110.0, 3.0, -0.8, 1.4, 25.0))
    plan = {"lot_id": "SYN-LOT", "road": road, "passes": passes, "mat": synthetic.Mat(patches=patches)}
    return synthetic.make_lot(LotPlan(**{**plan, **changes}))


def two_lane_southern(**changes: object) -> SyntheticLot:
    """Make a metric lot in the southern hemisphere: two lanes laid in opposite directions, MGA zone 56.

    The second pass runs downstation in the other lane, 40 minutes after the first.
    """
    road = (synthetic.straight(70.0), *synthetic.bend(150.0, -25.0, lead_m=20.0), synthetic.straight(50.0))
    passes = (
        PassPlan("upstation", offset_m=-1.9, stops=(synthetic.Stop(80.0, 60.0),), lane="1"),
        PassPlan("downstation", offset_m=1.9, wait_s=2400.0, stops=(synthetic.Stop(50.0, 45.0),), lane="2",
                 right_edge="hot joint", speeds=((0.0, 0.09),)),
    )  # fmt: skip
    patches = (
        synthetic.Patch(45.0, 3.0, 0.6, 1.2, 22.0),
        synthetic.Patch(100.0, 2.4, -0.9, 1.5, 25.0, pass_=1),
    )
    place = {
        "lot_id": "SYN-SOUTH", "start_lon_deg": 151.2, "start_lat_deg": -31.9, "fixes_crs": "EPSG:7844",
        "map_crs": "EPSG:7856", "time_zone": "Australia/Sydney", "start_utc": "2026-03-03T22:10:00.000",
        "first_station_m": 2400.0, "road": road, "passes": passes, "mat": synthetic.Mat(patches=patches),
    }  # fmt: skip
    return synthetic.make_lot(LotPlan(**{**place, **changes}))


def us_curve_lot(**changes: object) -> SyntheticLot:
    """Make a lot in US survey feet with a curve, a stop and two cold patches, paved downstation."""
    road = (synthetic.straight(60.0), *synthetic.bend(120.0, 30.0, lead_m=18.0), synthetic.straight(60.0))
    passes = (
        PassPlan(
            "downstation",
            offset_m=-1.83,
            stops=(synthetic.Stop(90.0, 75.0),),
            speeds=((0.0, 0.14), (120.0, 0.10)),
        ),
    )
    patches = (synthetic.Patch(40.0, 2.5, 0.8, 1.4, 24.0), synthetic.Patch(130.0, 3.0, -0.6, 1.2, 20.0))
    place = {
        "lot_id": "SYN-US", "start_lon_deg": -83.0, "start_lat_deg": 40.1,
        "fixes_crs": "EPSG:6318", "map_crs": "EPSG:6551",
        "time_zone": "America/New_York", "units": "us", "labels": "100 ft", "thickness": "2 in",
        "first_station_m": 10000 * 1200 / 3937, "road": road, "passes": passes,
        "mat": synthetic.Mat(patches=patches),
    }  # fmt: skip
    return synthetic.make_lot(LotPlan(**{**place, **changes}))


# -------------------------------------------------------------------------------- nouns from the truth


def true_inputs(lot: SyntheticLot) -> model.LotInputs:
    """Return what reading the lot's files should give, from the arrays that were written."""
    logged, plan = lot.logged, lot.plan
    count, fixes = len(logged.scan_time_utc), len(logged.fix_time_utc)
    scan = model.ScanLog(
        logged.scan_time_utc.copy(), np.arange(1, count + 1), logged.temp_c.copy(), logged.spot_right_m.copy()
    )
    names = ("lon_deg", "lat_deg", "height_m", "quality", "sigma_m")
    fix_arrays = {name: getattr(logged, name).copy() for name in names}
    return model.LotInputs(
        scan=scan,
        fixes=model.Fixes(
            crs=plan.fixes_crs,
            time_utc=logged.fix_time_utc.copy(),
            heading_deg=logged.fix_heading_deg.copy(),
            **fix_arrays,
        ),
        wheel=model.Wheel(logged.wheel_time_utc.copy(), logged.wheel_m.copy()),
        alignment=true_alignment(lot),
        passes=true_passes(lot),
        exclusions=tuple(
            model.Exclusion(
                item.reason, plan.first_station_m + item.from_m, plan.first_station_m + item.to_m, item.side
            )
            for item in plan.exclude
        ),
        sources=(),
        tallies=(model.Tally("scan", count, count), model.Tally("fixes", fixes, fixes)),
    )


def true_alignment(lot: SyntheticLot) -> model.Alignment | None:
    """Return the alignment as written, in map metres; None without one."""
    if not lot.plan.alignment:
        return None
    return model.Alignment("CL", *synthetic.alignment_vertices(lot.plan, lot.site))


def true_passes(lot: SyntheticLot) -> tuple[model.Pass, ...]:
    """Return the passes as a reader should resolve them."""
    several = len(lot.plan.passes) > 1
    passes = []
    for number, item in enumerate(lot.plan.passes):
        mine = lot.truth.time_utc[lot.truth.pass_code == number]
        ends = (
            (mine[0] - np.timedelta64(5, "s"), mine[-1] + np.timedelta64(5, "s")) if several else (None, None)
        )
        lane = item.lane or lot.plan.lane
        passes.append(
            model.Pass(
                item.id or str(number + 1), lane, *ends, item.direction, item.left_edge, item.right_edge
            )
        )
    return tuple(passes)


def true_trajectory(lot: SyntheticLot, sigma_m: float = 0.01) -> model.Trajectory:
    """Return the path as a perfect solver would give it; lines inside outages are placed by wheel."""
    truth = lot.truth
    knots = [_knots(lot, motion, sigma_m) for motion in lot.motions]
    joined = {name: np.concatenate([part[name] for part in knots]) for name in knots[0]}
    return model.Trajectory(
        crs=truth.crs,
        time_utc=truth.time_utc.copy(),
        distance_m=truth.distance_m.copy(),
        reach_m=truth.reach_m.copy(),
        speed_mps=truth.speed_mps.copy(),
        pass_code=truth.pass_code.copy(),
        clock_offset_s=truth.clock_offset_s,
        clock_offset_sigma_s=0.01,
        wheel_scale=truth.wheel_scale,
        point_scale=truth.grid_scale,
        convergence_deg=truth.convergence_deg,
        operation={"name": "truth", "accuracy_m": 0.0, "pipeline": "", "epoch": None},
        **joined,
    )


def _knots(lot: SyntheticLot, motion: synthetic.Motion, sigma_m: float) -> dict[str, np.ndarray]:
    count = int(np.ceil(motion.length_m / KNOT_STEP_M)) + 1
    distance = np.linspace(0.0, motion.length_m, count)
    body = motion.body(distance)
    easting, northing = lot.site.map_m(body.east_m, body.north_m)
    sigma = np.full(count, sigma_m)
    return {
        "knot_distance_m": motion.base_m + distance,
        "knot_piece": np.full(count, motion.code, np.int16),
        "knot_easting_m": easting,
        "knot_northing_m": northing,
        "knot_heading_deg": np.degrees(body.heading) % 360,
        "knot_sigma_along_m": sigma,
        "knot_sigma_across_m": sigma.copy(),
        "knot_sigma_heading_deg": np.full(count, 0.1),
        "knot_placed": _placed(lot.truth, motion.base_m + distance),
    }


def _placed(truth: Truth, distance_m: np.ndarray) -> np.ndarray:
    placed = np.full(len(distance_m), model.PLACED.index("fixes"), np.int8)
    for gap in truth.gaps:
        placed[(distance_m >= gap.from_m) & (distance_m < gap.to_m)] = model.PLACED.index("by_wheel")
    return placed


def true_swath(lot: SyntheticLot, sigma_m: float = 0.01, *, noise_free: bool = False) -> model.Swath:
    """Return every line placed by the truth; temperatures as read, or free of noise, people and faults."""
    truth, scanner = lot.truth, lot.plan.scanner
    right = scanner.spot_right_m
    half = abs(right[1] - right[0]) / 2
    pitch = np.column_stack([right - half, right + half])
    on_mat = (pitch[:, 0] >= scanner.mat_left_m - 1e-3) & (pitch[:, 1] <= scanner.mat_right_m + 1e-3)
    edges = np.array([pitch[on_mat, 0].min(), pitch[on_mat, 1].max()])
    heading = np.radians(truth.heading_deg)[:, None]
    bad = np.zeros((len(lot.motions), scanner.count), dtype=bool)
    for fault in lot.plan.mat.faults:
        bad[:, fault.spot - 1] = not noise_free
    sigma = np.full(truth.spot_easting_m.shape, sigma_m, np.float32)
    return model.Swath(
        crs=truth.crs,
        line=np.arange(1, len(truth.time_utc) + 1),
        seen_utc=truth.time_utc.copy(),
        laid_utc=truth.laid_utc.copy(),
        pass_code=truth.pass_code.copy(),
        distance_m=truth.distance_m.copy(),
        first_look=truth.first_look.copy(),
        heading_deg=truth.heading_deg.copy(),
        speed_mps=truth.speed_mps.copy(),
        placed=_placed(truth, truth.distance_m),
        easting_m=truth.spot_easting_m.copy(),
        northing_m=truth.spot_northing_m.copy(),
        sigma_along_m=sigma,
        sigma_across_m=sigma.copy(),
        temp_c=(truth.temp_c.astype(np.float32) if noise_free else lot.logged.temp_c.copy()),
        bad_spot=bad,
        layouts=(model.Layout(right, pitch, on_mat, edges, lot.plan.rig.screed_forward_m),),
        layout=np.zeros(len(truth.time_utc), np.int16),
        edge_easting_m=truth.easting_m[:, None] + truth.grid_scale * edges * np.cos(heading),
        edge_northing_m=truth.northing_m[:, None] - truth.grid_scale * edges * np.sin(heading),
    )


def mirrored(layout: model.Layout) -> model.Layout:
    """Return a layout with its columns in the other order."""
    return model.Layout(
        layout.spot_right_m[::-1].copy(), layout.pitch_m[::-1].copy(), layout.on_mat[::-1].copy(),
        layout.edges_m, layout.screed_forward_m,
    )  # fmt: skip


def true_stations(lot: SyntheticLot) -> model.Stations:
    """Return station and offset of every spot, by the road's closed form or along C's own path."""
    truth, plan, right = lot.truth, lot.plan, lot.plan.scanner.spot_right_m
    upstation = np.array([motion.sign > 0 for motion in lot.motions])
    sign = np.where(upstation, 1, -1)[truth.pass_code]
    swath = true_swath(lot)
    base = np.array([motion.base_m for motion in lot.motions])[truth.pass_code]
    if plan.alignment:
        frame, offset = _along_alignment(lot, right)
        line_frame, line_offset, zero = truth.station_m, truth.offset_m, np.zeros(len(lot.motions))
        edge_offset = _along_alignment(lot, swath.layouts[0].edges_m)[1]
    else:
        line_frame, line_offset = sign * (truth.distance_m - base), np.zeros(len(sign))
        frame = np.repeat(line_frame[:, None], len(right), axis=1)
        offset, edge_offset = sign[:, None] * right, sign[:, None] * swath.edges_m
        zero = np.full(len(lot.motions), plan.first_station_m)
    codes = range(len(lot.motions))
    edges = np.array([np.sort(np.median(edge_offset[truth.pass_code == code], axis=0)) for code in codes])
    return model.Stations(
        alignment="CL" if plan.alignment else None,
        frame_m=frame,
        offset_m=offset.astype(np.float32),
        line_frame_m=np.array(line_frame),
        line_offset_m=np.array(line_offset),
        inside=np.ones(frame.shape, dtype=bool),
        zero_m=zero,
        upstation=upstation,
        edges_offset_m=edges,
        misclosure_m=float("nan"),
    )


def _along_alignment(lot: SyntheticLot, right_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    parts = []
    for motion in lot.motions:
        place = lot.truth.distance_m[lot.truth.pass_code == motion.code] - motion.base_m
        parts.append(synthetic.spot_stations(lot.plan, motion, motion.body(place), right_m))
    return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])
