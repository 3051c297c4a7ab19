"""Real logs that nobody here wrote: a car's drive as a lot, and paving-speed GNSS logs through `check`.

The data stay in their own folder (THERMOSAIC_REAL_LOGS, else ../shared/data beside the checkout) and are
read in place. Sources and licences lie beside them: wheel speeds, GNSS and reference poses of one minute of
driving (comma2k19, MIT), a radiometric frame (flirpy, MIT), GNSS logs (gpsd, BSD-2; NmeaParser, Apache-2.0).
"""

from __future__ import annotations

import os
import warnings
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent
DATA = Path(os.environ.get("THERMOSAIC_REAL_LOGS") or HERE.parent.parent / "shared" / "data")
needs_data = pytest.mark.skipif(
    not DATA.is_dir(), reason=f"real logs are not at {DATA.name} (THERMOSAIC_REAL_LOGS)"
)
GPS_EPOCH_S, LEAP_S = 315964800, 18  # 1980-01-06 as Unix time; GPS less UTC since 2017
SPOTS = 24

LOT = """
[lot]
id = "{id}"
route = "a drive"
lane = "1"
lift = 1
thickness = "50 mm"
time_zone = "America/Los_Angeles"
[files]
scan = "scan.csv"
fixes = "{fixes}"
[formats]
scan = "wide-csv"
fixes = "{format}"
[crs]
fixes = "EPSG:{frame}"
map = "EPSG:{map}"
[rig]
antenna_forward = "0 m"
antenna_right = "0 m"
antenna_up = "1.5 m"
screed_forward = "0.5 m"
non_slip_forward = "0 m"
max_sigma = "{max_sigma}"
clock_offset = "0 s"
[scanner]
spots_right = {{ first = "-1.725 m", last = "1.725 m" }}
mat_left = "-1.8 m"
mat_right = "1.8 m"
[[mark]]
station = "10+00"
at = "first line"
point = "spot line"
distance = "0 m"
[stationing]
direction = "upstation"
[rules]
profile = "differential-50m"
[accept]
autonomous_frac = 1.0
wheel_gnss_frac = 0.2
"""


def _stamps(time_s: np.ndarray) -> list[str]:
    moments = np.round(time_s * 1e6).astype("i8").astype("datetime64[us]")
    return [f"{text}Z" for text in np.datetime_as_string(moments)]


def write_scan(path: Path, time_s: np.ndarray, wheel_m: np.ndarray, temp_c: np.ndarray) -> None:
    """Write scan lines as wide CSV; time_s is Unix time (line), wheel_m (line), temp_c (line, spot)."""
    header = ",".join(["time_utc", "wheel_m", *(f"t_{n:02d}" for n in range(1, temp_c.shape[1] + 1))])
    rows = (
        f"{stamp},{wheel:.4f}," + ",".join(f"{value:.1f}" for value in row)
        for stamp, wheel, row in zip(_stamps(time_s), wheel_m, temp_c, strict=True)
    )
    path.write_text("\n".join([header, *rows]) + "\n")


def radiometric_mat(lines: int) -> np.ndarray:
    """Return the real radiometric frame as mat temperatures (line, spot): texture scaled to 120 .. 150 degC.

    Rows are mirrored on where the frame ends; columns are thinned to one a spot.
    """
    import rasterio.errors

    with warnings.catch_warnings():  # a plain picture: it has no georeference, and needs none here
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(DATA / "thermal/radiometric_frame_centikelvin.tif") as dataset:
            counts = dataset.read(1).astype(float)
    scaled = 120 + 30 * (counts - counts.min()) / np.ptp(counts)
    folded = np.abs((np.arange(lines) + len(scaled)) % (2 * len(scaled)) - len(scaled) + 0.5).astype(int)
    return scaled[folded][:, np.linspace(40, 600, SPOTS).astype(int)]


def car(name: str) -> np.ndarray:
    return np.load(DATA / "wheel_gnss/car_segment" / f"{name}.npy")


def reference_path() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return Unix time, longitude and latitude of the data set's own reference poses."""
    import pyproj

    week, tow = car("global_pose__frame_gps_times").T
    lon, lat, _ = pyproj.Transformer.from_crs("EPSG:4978", "EPSG:4979", always_xy=True).transform(
        *car("global_pose__frame_positions").T
    )
    return GPS_EPOCH_S + week * 604800 + tow - LEAP_S, lon, lat


def write_car_lot(folder: Path) -> Path:
    """Assemble a lot from the car's wheel speeds (wheel), its GNSS (fixes) and the radiometric frame."""
    time_s, _, _ = reference_path()
    to_utc = np.median(time_s - car("global_pose__frame_times"))
    wheel_time, speed = car("CAN__wheel_speed__t") + to_utc, car("CAN__wheel_speed__value").mean(axis=1)
    wheel_m = np.concatenate([[0], np.cumsum(np.diff(wheel_time) * (speed[1:] + speed[:-1]) / 2)])
    write_scan(folder / "scan.csv", wheel_time, wheel_m, radiometric_mat(len(wheel_m)))
    lat, lon, _, epoch_ms, height, _ = car("GNSS__live_gnss_ublox__value").T
    rows = (
        f"{stamp},{x:.8f},{y:.8f},{z:.3f},autonomous"
        for stamp, x, y, z in zip(_stamps(epoch_ms / 1e3), lon, lat, height, strict=True)
    )
    header = "time_utc,lon_deg,lat_deg,height_m,quality"
    (folder / "fixes.csv").write_text("\n".join([header, *rows]) + "\n")
    text = LOT.format(
        id="car-drive", fixes="fixes.csv", format="fix-table", frame=9057, map=6339, max_sigma="10 m"
    )
    (folder / "lot.toml").write_text(text)
    return folder


@needs_data
def test_car_drive_is_placed_on_its_reference_path(tmp_path):
    """A real drive becomes a whole result, every spot placed, on the path of the data set's reference poses.

    The receiver is autonomous; antenna and reference camera sit apart by an unstated lever arm and time tag:
    raw fixes lie 2.05 m (sd 0.33 m) along and -0.39 m (sd 0.09 m) across from the reference. The path
    must agree as well as the fixes do in the mean.
    """
    from thermosaic import load_config, run_lot
    from thermosaic.datum import pin_operation
    from thermosaic.results import open_result

    (tmp_path / "lot").mkdir()
    products = run_lot(load_config(write_car_lot(tmp_path / "lot")), tmp_path / "result")
    result = open_result(tmp_path / "result")
    spots = result.spots()
    time_s, lon, lat = reference_path()
    line_s = car("CAN__wheel_speed__t") + np.median(time_s - car("global_pose__frame_times"))
    fix_s = car("GNSS__live_gnss_ublox__value")[:, 3] / 1e3
    fixed = np.nonzero((line_s >= fix_s[0]) & (line_s <= fix_s[-1]))[0] + 1
    assert len(fixed) > 4900
    assert set(fixed) <= set(spots["line"])  # the log of fixes ends 0.4 s before the wheel's
    assert len(spots) == spots["line"].nunique() * SPOTS == products.summary["rows"]

    operation = pin_operation("EPSG:9057", "EPSG:6339", accuracy_m=0.1, epoch=2018.59, where=(lon[0], lat[0]))
    easting_m, northing_m = operation.forward(lon, lat)
    centre = spots.groupby("line")[["easting_m", "northing_m"]].mean()
    seen_s = line_s[centre.index - 1]
    inside = (seen_s > time_s[0] + 1) & (seen_s < time_s[-1] - 1)
    seen_s, centre = seen_s[inside], centre[inside]
    velocity = np.array(
        [np.interp(seen_s, time_s, np.gradient(axis, time_s)) for axis in (easting_m, northing_m)]
    )
    east, north = velocity / np.hypot(*velocity)
    d_east = centre["easting_m"] - np.interp(seen_s, time_s, easting_m)
    d_north = centre["northing_m"] - np.interp(seen_s, time_s, northing_m)
    along, across = d_east * east + d_north * north, d_east * north - d_north * east
    found = [float(round(value, 2)) for value in (along.mean(), along.std(), across.mean(), across.std())]
    print("along mean, sd; across mean, sd [m]:", found)
    assert abs(along.mean() - 2.05) < 0.3
    assert along.std() < 0.5
    assert abs(across.mean() + 0.39) < 0.15
    assert across.std() < 0.15


NMEA_LOTS = {
    "nmea_rtk.nmea": "the log jumps by 630 s and is mostly differential",
    "survey_rover_float_dgps.nmea": "float and differential fixes with their own sigma",
}


@needs_data
@pytest.mark.parametrize("name", NMEA_LOTS)
def test_real_gnss_logs_run_through_check(tmp_path, name):
    """Real RTK and float logs at paving speed get a verdict for every stage, in words, without a crash."""
    from thermosaic import check_lot, load_config

    path = DATA / "nmea" / name
    (tmp_path / name).write_bytes(path.read_bytes())
    time_s, wheel_m = walk_of(path)
    write_scan(tmp_path / "scan.csv", time_s, wheel_m, radiometric_mat(len(time_s)))
    frame_map = {"nmea_rtk.nmea": 6344, "survey_rover_float_dgps.nmea": 6340}[name]
    text = LOT.format(id="rover", fixes=name, format="nmea-0183", frame=6318, map=frame_map, max_sigma="5 m")
    (tmp_path / "lot.toml").write_text(text)
    report = check_lot(load_config(tmp_path))
    names = [item.name for item in report.items]
    assert "fixes" in names
    assert "fix quality" in names
    assert all(item.found for item in report.items)
    assert report.exit_code in (0, 3, 4)
    stops = [item for item in report.items if item.verdict == "stop"]
    assert bool(stops) == bool(report.exit_code)


def walk_of(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Return Unix time and travelled distance by an independent NMEA parser (pynmea2), at 5 lines a second.

    The wheel is made from the log's own speeds (RMC or VTG, knots), since no wheel rode along.
    """
    pynmea2 = pytest.importorskip("pynmea2")
    moments, speeds = [], []
    for line in path.read_text(errors="replace").splitlines():
        if line[3:6] == "RMC":
            sentence = pynmea2.parse(line)
            if sentence.status == "A" and sentence.datestamp and sentence.timestamp:
                moments.append(sentence.datetime.timestamp())
                speeds.append(float(sentence.spd_over_grnd or 0) * 1852 / 3600)
    moments, first = np.unique(moments, return_index=True)
    speeds = np.array(speeds)[first]
    return rolled(moments, speeds) if len(moments) > 1 else (np.zeros(0), np.zeros(0))


def rolled(moments: np.ndarray, speeds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return rows of a wheel, 5 a second, that turned at these speeds; no rows over gaps of 3 s and more."""
    time_s = np.arange(moments[0], moments[-1], 0.2)
    after = np.clip(np.searchsorted(moments, time_s, side="right"), 1, len(moments) - 1)
    logged = moments[after] - moments[after - 1] < 3.0
    speed = np.interp(time_s, moments, speeds)
    step = np.where(logged[1:] & logged[:-1], np.diff(time_s) * (speed[1:] + speed[:-1]) / 2, 0.0)
    return time_s[logged], np.concatenate([[0], np.cumsum(step)])[logged]


STANDING = "2 m of motion"
REAL_FIXES = {  # a path, or the words of the refusal
    "nmea_rtk": "path", "survey_rover_float_dgps": "path", "haicom_gaps": "path", "ublox8_1hz": "path",
    "rx210_nofix": "path", "phone_modem_dropouts": "path",
    "dual_antenna_cold_start": STANDING, "dgps_gst_beidou": STANDING, "multi_const_gst_dgps": STANDING,
    "f9p_nmea_gst": STANDING, "l76k_1hz": STANDING, "simulated_quality8": "are never positions",
}  # fmt: skip


@needs_data
@pytest.mark.parametrize("name", REAL_FIXES)
def test_every_real_log_gives_a_path_or_a_refusal_in_words(name):
    """Each log of a receiver is placed with the sigma it claims, or refused for what it is: standing, or not real.

    Autonomous fixes state no sigma: that of [rig] fix_sigma stands in. The path's own sigma lies below that of
    one fix and above a hundredth of it, and half of the fixes lie within two of theirs, both axes together.
    The wheel was made from the log's own speeds, on its own clock: none of them may find another clock.
    """
    from thermosaic.errors import InputError
    from thermosaic.files.catalogue import load_format
    from thermosaic.files.logs.reading import read_fixes

    path, expected = DATA / "nmea" / f"{name}.nmea", REAL_FIXES[name]
    if expected != "path":
        with pytest.raises(InputError, match=expected):
            solved(read_fixes((path,), load_format("nmea-0183"), "EPSG:4326")[0], *walk_of(path))
        return
    fixes, _, _ = read_fixes((path,), load_format("nmea-0183"), "EPSG:4326")
    off, sigma, trajectory = solved(fixes, *walk_of(path))
    assert (trajectory.knot_placed > 0).mean() > 0.8
    assert "clock_differs" not in {doubt.kind for doubt in trajectory.doubts}
    assert np.median(off / (np.sqrt(2) * sigma)) < 2.0
    across = np.median(trajectory.knot_sigma_across_m[trajectory.knot_placed > 0])
    assert 0.01 * sigma.min() < across < 1.1 * sigma.max()


@needs_data
def test_a_real_rtk_drive_is_followed_through_all_its_junctions():
    """4 km of RTK at up to 16 m/s: with its own velocities as wheel no fix lies 0.6 m off, half within 5 cm.

    The car stops at junctions and goes on into other roads: none of that is a back-up, and no distance is lost.
    """
    import pandas as pd

    from thermosaic.config import LogFormat
    from thermosaic.files.logs.reading import read_fixes

    path = DATA / "gnss_table" / "drive_rtk_4hz.pos"
    columns = {"date": "1", "time_utc": "2", "lat_deg": "3", "lon_deg": "4", "height_m": "5", "quality": "6"}
    pos = LogFormat(
        id="pos", kind="fixes", container="csv", title="solution in GPS time", delimiter=" ", header=False,
        comment="%", time_scale="gps", time_format="%Y/%m/%d %H:%M:%S.%f", ignored=("*",),
        columns=columns | {"sigma_north_m": "8", "sigma_east_m": "9"}, quality={"1": "fixed", "2": "float"},
    )  # fmt: skip
    fixes, _, _ = read_fixes((path,), pos, "EPSG:4326")
    theirs = pd.read_csv(path, sep=r"\s+", comment="%", header=None)
    wheel = rolled(fixes.time_utc.astype("i8") * 1e-9, np.hypot(theirs[15], theirs[16]).to_numpy())
    off, _, trajectory = solved(fixes, *wheel)
    assert np.median(off) < 0.05
    assert off.max() < 0.6
    assert np.ptp(trajectory.distance_m) == pytest.approx(wheel[1][-1], rel=1e-3)
    assert (np.diff(trajectory.distance_m) > -1e-6).all()


def solved(fixes, time_s: np.ndarray, wheel_m: np.ndarray):
    """Solve the path of real fixes: distance of each fix from it, its sigma, the trajectory."""
    from thermosaic import config, model
    from thermosaic.stages.s2_trajectory import solve_trajectory
    from thermosaic.track import plane

    if len(time_s) == 0:  # a log without speeds: its receiver stood
        time_s = fixes.time_utc.astype("i8") * 1e-9
        wheel_m = np.zeros(len(time_s))
    moments = np.round(time_s * 1e9).astype("i8").astype("M8[ns]")
    scan = model.ScanLog(
        moments,
        np.arange(1, len(moments) + 1),
        np.full((len(moments), 2), 120, np.float32),
        np.array([-1.0, 1.0]),
    )
    gaps = moments[1:][np.diff(time_s) > 60.0]  # what was driven there no log knows: a pass of its own begins
    ends = [None, *gaps, None]
    passes = tuple(
        model.Pass(str(k), "1", first, last, "upstation", "free", "free")
        for k, (first, last) in enumerate(pairwise(ends))
    )
    inputs = model.LotInputs(scan, fixes, model.Wheel(moments.copy(), wheel_m), None, passes, (), (), ())
    zone = int((np.median(fixes.lon_deg) + 180) // 6) + 1 + (32600 if np.median(fixes.lat_deg) > 0 else 32700)
    crs = config.CrsSection.model_validate(
        {"fixes": "EPSG:4326", "map": f"EPSG:{zone}", "accept_ensemble": True}
    )
    nothing = dict.fromkeys(("antenna_forward", "antenna_right", "screed_forward", "non_slip_forward"), "0 m")
    rig = config.RigSection.model_validate(
        nothing | {"antenna_up": "1.5 m", "cross_slope": "0 %", "max_sigma": "10 m", "clock_offset": "0 s"}
    )
    accept = config.AcceptSection.model_validate({"autonomous_frac": 1.0, "wheel_gnss_frac": 0.2})
    trajectory = solve_trajectory(inputs, crs, rig, accept)
    place = plane.make_plane(fixes, crs)
    fix_e, fix_n = place.to_map(*place.from_degrees(fixes.lon_deg, fixes.lat_deg))
    distance = np.interp(fixes.time_utc.astype("i8"), trajectory.time_utc.astype("i8"), trajectory.distance_m)
    ends = trajectory.knot_distance_m, trajectory.knot_easting_m, trajectory.knot_northing_m
    off = np.hypot(
        np.interp(distance, ends[0], ends[1]) - fix_e, np.interp(distance, ends[0], ends[2]) - fix_n
    )
    stated = rig.fix_sigma
    usual = [np.nan, stated.autonomous_m, stated.differential_m, stated.fixed_m, stated.float_m]
    sigma = np.where(np.isfinite(fixes.sigma_m), fixes.sigma_m, np.array(usual)[fixes.quality])
    row = np.clip(np.searchsorted(trajectory.time_utc, fixes.time_utc), 0, len(trajectory.time_utc) - 1)
    on_path = np.isin(trajectory.pass_code[row], trajectory.knot_piece)  # not in a pass without motion
    return off[on_path], sigma[on_path], trajectory
