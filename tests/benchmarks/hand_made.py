"""The script that a competent user writes in an afternoon for the day lot, in a slow and in a fast style.

    python tests/benchmarks/hand_made.py fast LOT OUT

It reads the logs, turns fixes into map coordinates, takes the heading from one fix to another, puts the
spots behind the antenna, grids their temperatures, and writes spots, a raster and a GeoPackage with
profiles, stops and cold zones. Nothing is checked, doubted or read back; the clocks are taken as equal, the
path is not smoothed by the wheel, there is one raster with one band, and no sigma.

Slow: one row at a time where that is easier to write, pynmea2, scipy's griddata, points in a GeoPackage.
Fast: columns throughout, the means of cells, spots as GeoParquet.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from pyproj import Transformer
from rasterio.transform import from_origin
from rasterio.windows import Window
from scipy.interpolate import griddata
from scipy.ndimage import label
from scipy.spatial import cKDTree

MAP_CRS, FIX_CRS = "EPSG:6340", "EPSG:6318"
FORWARD_M, RIGHT_M = 1.98, -0.10  # antenna from the spots
SPOTS_RIGHT_M = np.linspace(-1.88, 1.88, 48)
CELL_M, PROFILE_M, COLD_C, SMALLEST_M2 = 0.1, 45.72, 13.9, 0.5
NODATA, BLOCK = -9999.0, 512
START_M = 304.8


# --------------------------------------------------------------------------------------------------- fixes


def fixes_slow(path: Path) -> pd.DataFrame:
    """Parse sentence by sentence."""
    import pynmea2

    rows, date = [], None
    for line in path.read_text().splitlines():
        try:
            message = pynmea2.parse(line, check=True)
        except pynmea2.ParseError:
            continue
        if message.sentence_type == "RMC":
            date = message.datestamp
            for row in rows[-1:]:
                row["date"] = row["date"] or date
        elif message.sentence_type == "GGA" and message.gps_qual > 0:
            place = {"lat": message.latitude, "lon": message.longitude}
            rows.append({"date": date, "clock": message.timestamp, **place})
    frame = pd.DataFrame(rows)
    clock = frame["clock"].map(lambda clock: clock.replace(tzinfo=None).isoformat())
    frame["time"] = pd.to_datetime(frame["date"].astype(str) + " " + clock, format="ISO8601")
    return frame[["time", "lat", "lon"]]


def fixes_fast(path: Path) -> pd.DataFrame:
    """Read all sentences as one table of texts; checksums are left alone, and the date is that of the first."""
    names = [f"f{k}" for k in range(15)]
    table = pd.read_csv(path, header=None, names=names, dtype=str, engine="c", on_bad_lines="skip")
    date = pd.to_datetime(table.loc[table["f0"].str.endswith("RMC"), "f9"].iloc[0], format="%d%m%y")
    gga = table[table["f0"].str.endswith("GGA") & (table["f6"] != "0")]

    def degrees(text: pd.Series, side: pd.Series, width: int) -> np.ndarray:
        value = text.str[:width].astype(float) + text.str[width:].astype(float) / 60
        return np.where(side.isin(["S", "W"]), -value, value)

    clock = gga["f1"].astype(float).to_numpy()
    seconds = clock // 10000 * 3600 + clock // 100 % 100 * 60 + clock % 100
    seconds += 86400 * np.concatenate([[0], np.cumsum(np.diff(seconds) < -43200)])
    return pd.DataFrame(
        {
            "time": date + pd.to_timedelta(np.round(seconds * 1e3), unit="ms"),
            "lat": degrees(gga["f2"], gga["f3"], 2),
            "lon": degrees(gga["f4"], gga["f5"], 3),
        }
    )


# --------------------------------------------------------------------------------------------------- spots


def place_spots(fixes: pd.DataFrame, scan: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Eastings and northings (line, spot), and the distance run (line)."""
    to_map = Transformer.from_crs(FIX_CRS, MAP_CRS, always_xy=True)
    east, north = to_map.transform(fixes["lon"].to_numpy(), fixes["lat"].to_numpy())
    window = 21  # fixes; without a mean the heading of a slow machine is noise
    mean = pd.DataFrame({"e": east, "n": north}).rolling(window, center=True, min_periods=1).mean()
    time = fixes["time"].to_numpy().astype("M8[ns]").astype(np.int64) / 1e9
    seen = scan["time_utc"].to_numpy().astype("M8[ns]").astype(np.int64) / 1e9
    line_e, line_n = (np.interp(seen, time, mean[name]) for name in ("e", "n"))
    run_m = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(line_e), np.diff(line_n)))])
    ahead, behind = (
        np.interp([run_m + 1.0, run_m - 1.0], run_m, line_e),
        np.interp([run_m + 1.0, run_m - 1.0], run_m, line_n),
    )
    heading = np.arctan2(ahead[0] - ahead[1], behind[0] - behind[1])
    sin, cos = np.sin(heading)[:, None], np.cos(heading)[:, None]
    right = SPOTS_RIGHT_M[None, :] - RIGHT_M
    return (
        line_e[:, None] - FORWARD_M * sin + right * cos,
        line_n[:, None] - FORWARD_M * cos - right * sin,
        run_m,
    )


def stations_slow(line: shapely.LineString, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Station of the middle of each scan line, one by one."""
    middle = zip(east[:, 24], north[:, 24], strict=True)
    return np.array([line.project(shapely.Point(e, n)) for e, n in middle]) + START_M


def stations_fast(line: shapely.LineString, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Station of the nearest of points every 0.1 m on the line."""
    vertex = shapely.get_coordinates(line)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertex, axis=0).T))])
    along = np.arange(0.0, line.length, 0.1)
    points = np.column_stack([np.interp(along, chord, vertex[:, axis]) for axis in (0, 1)])
    nearest = cKDTree(points).query(np.column_stack([east[:, 24], north[:, 24]]))[1]
    return along[nearest] + START_M


# --------------------------------------------------------------------------------------------------- raster


def raster_slow(
    path: Path, east: np.ndarray, north: np.ndarray, temp: np.ndarray, origin: tuple, shape: tuple
) -> None:
    """Interpolate linearly, 15 m of lines at a time so that it fits into memory; write it at once."""
    raster = np.full(shape, NODATA, np.float32)
    for start in range(0, len(east), 100):
        part = slice(start, start + 101)
        e, n, t = east[part].ravel(), north[part].ravel(), temp[part].ravel()
        col0, col1 = (int((edge - origin[0]) / CELL_M) for edge in (e.min(), e.max()))
        row0, row1 = (int((origin[1] - edge) / CELL_M) for edge in (n.max(), n.min()))
        cols, rows = np.arange(col0, col1 + 1), np.arange(row0, row1 + 1)
        at = np.meshgrid(origin[0] + (cols + 0.5) * CELL_M, origin[1] - (rows + 0.5) * CELL_M)
        values = griddata((e, n), t, tuple(at), method="linear")
        there = np.isfinite(values)
        raster[row0 : row1 + 1, col0 : col1 + 1][there] = values[there]
    with rasterio.open(path, "w", **facts_of(origin, shape)) as file:
        file.write(raster, 1)


def raster_fast(
    path: Path, east: np.ndarray, north: np.ndarray, temp: np.ndarray, origin: tuple, shape: tuple
) -> None:
    """Write the means of the readings in each cell, block by block; cells between the readings stay empty."""
    col = ((east.ravel() - origin[0]) / CELL_M).astype(np.int64)
    row = ((origin[1] - north.ravel()) / CELL_M).astype(np.int64)
    block = row // BLOCK * (shape[1] // BLOCK + 1) + col // BLOCK
    order = np.argsort(block, kind="stable")
    row, col, temp = row[order], col[order], temp.ravel()[order]
    with rasterio.open(path, "w", **facts_of(origin, shape)) as file:
        for part in np.split(np.arange(len(order)), np.flatnonzero(np.diff(block[order])) + 1):
            row0, col0 = row[part[0]] // BLOCK * BLOCK, col[part[0]] // BLOCK * BLOCK
            height, width = min(BLOCK, shape[0] - row0), min(BLOCK, shape[1] - col0)
            cell = (row[part] - row0) * width + col[part] - col0
            count = np.bincount(cell, minlength=height * width)
            total = np.bincount(cell, temp[part], minlength=height * width)
            values = np.where(count > 0, total / np.maximum(count, 1), NODATA).astype(np.float32)
            file.write(values.reshape(height, width), 1, window=Window(col0, row0, width, height))


def facts_of(origin: tuple, shape: tuple) -> dict:
    layout = {
        "tiled": True,
        "blockxsize": BLOCK,
        "blockysize": BLOCK,
        "compress": "deflate",
        "sparse_ok": True,
    }
    frame = {"crs": MAP_CRS, "transform": from_origin(*origin, CELL_M, CELL_M), "nodata": NODATA}
    size = {"height": shape[0], "width": shape[1], "count": 1, "dtype": "float32"}
    return {"driver": "GTiff", **size, **layout, **frame}


# --------------------------------------------------------------------------------------------------- layers


def stretch(east: np.ndarray, north: np.ndarray, rows: np.ndarray) -> shapely.Polygon:
    left = np.column_stack([east[rows, 0], north[rows, 0]])
    right = np.column_stack([east[rows, -1], north[rows, -1]])
    return shapely.Polygon(np.concatenate([left, right[::-1]]))


def profiles(
    east: np.ndarray, north: np.ndarray, temp: np.ndarray, run_m: np.ndarray, station: np.ndarray
) -> gpd.GeoDataFrame:
    """Range between the 98.5th and the 1st percentile of each stretch of 150 ft, and its class."""
    rows = []
    for number in range(int(run_m[-1] // PROFILE_M)):
        inside = np.flatnonzero(run_m // PROFILE_M == number)
        low, high = np.percentile(temp[inside], [1.0, 98.5])
        word = "severe" if high - low > 27.8 else "moderate" if high - low > 13.9 else "low"
        ends = {"from_m": station[inside].min(), "to_m": station[inside].max()}
        rows.append(
            {**ends, "differential_c": high - low, "word": word, "geometry": stretch(east, north, inside)}
        )
    return gpd.GeoDataFrame(rows, crs=MAP_CRS)


def stops(
    east: np.ndarray, north: np.ndarray, time: np.ndarray, run_m: np.ndarray, station: np.ndarray
) -> gpd.GeoDataFrame:
    """Where the paver stood for half a minute or more."""
    speed = np.gradient(run_m, time)
    parts, count = label(pd.Series(speed).rolling(11, center=True, min_periods=1).mean().to_numpy() < 0.02)
    rows = []
    for number in range(1, count + 1):
        inside = np.flatnonzero(parts == number)
        if time[inside[-1]] - time[inside[0]] >= 30:
            place = shapely.LineString(np.column_stack([east[inside[0], [0, -1]], north[inside[0], [0, -1]]]))
            facts = {"seconds": time[inside[-1]] - time[inside[0]], "station_m": station[inside[0]]}
            rows.append({**facts, "geometry": place})
    return gpd.GeoDataFrame(rows, columns=["seconds", "station_m", "geometry"], crs=MAP_CRS)


def cold_zones(
    east: np.ndarray, north: np.ndarray, temp: np.ndarray, station: np.ndarray, median_c: float
) -> gpd.GeoDataFrame:
    """Hulls of connected readings that are colder than the day's median by 25 degF."""
    parts, count = label(temp < median_c - COLD_C)
    order = np.argsort(parts.ravel(), kind="stable")
    ends = np.searchsorted(parts.ravel()[order], np.arange(1, count + 2))
    rows = []
    for first, last in pairwise(ends):
        if last - first < 12:
            continue
        inside = order[first:last]
        line = inside // temp.shape[1]
        points = shapely.MultiPoint(np.column_stack([east.ravel()[inside], north.ravel()[inside]]))
        hull = shapely.buffer(shapely.convex_hull(points), CELL_M)
        if hull.area >= SMALLEST_M2:
            facts = {"mean_c": temp.ravel()[inside].mean(), "station_m": station[line].mean()}
            rows.append({**facts, "area_m2": hull.area, "geometry": hull})
    return gpd.GeoDataFrame(rows, columns=["mean_c", "station_m", "area_m2", "geometry"], crs=MAP_CRS)


# ----------------------------------------------------------------------------------------------------- all


def main(style: str, lot: Path, out: Path) -> None:
    """Run the whole job in one style."""
    slow = style == "slow"
    out.mkdir(parents=True, exist_ok=True)
    fixes = (fixes_slow if slow else fixes_fast)(lot / "gnss.nmea")
    scan = pd.read_csv(lot / "scan.csv")
    scan["time_utc"] = pd.to_datetime(scan["time_utc"]).dt.tz_localize(None)
    temp = scan.filter(like="t_").to_numpy()
    east, north, run_m = place_spots(fixes, scan)
    road = gpd.read_file(lot / "centreline.geojson").set_crs(FIX_CRS, allow_override=True).to_crs(MAP_CRS)
    station = (stations_slow if slow else stations_fast)(road.geometry.iloc[0], east, north)
    time = scan["time_utc"].to_numpy().astype("M8[ns]").astype(np.int64) / 1e9
    origin = (np.floor(east.min()) - 1, np.ceil(north.max()) + 1)
    shape = (int((origin[1] - north.min()) / CELL_M) + 10, int((east.max() - origin[0]) / CELL_M) + 10)
    draw = raster_slow if slow else raster_fast
    draw(out / "temperature.tif", east, north, temp, origin, shape)
    count = temp.shape[1]
    spots = gpd.GeoDataFrame(
        {
            "time_utc": np.repeat(scan["time_utc"].to_numpy(), count),
            "spot": np.tile(np.arange(1, count + 1), len(scan)),
            "station_m": np.repeat(station, count),
            "temp_c": temp.ravel(),
        },
        geometry=gpd.points_from_xy(east.ravel(), north.ravel()),
        crs=MAP_CRS,
    )
    if slow:
        spots.to_file(out / "spots.gpkg", driver="GPKG", layer="spots")
    else:
        spots.to_parquet(out / "spots.parquet")
    found = {
        "profiles": profiles(east, north, temp, run_m, station),
        "stops": stops(east, north, time, run_m, station),
        "cold_zones": cold_zones(east, north, temp, station, float(np.median(temp))),
    }
    for name, frame in found.items():
        frame.to_file(out / "lot.gpkg", driver="GPKG", layer=name)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
