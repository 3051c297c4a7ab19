"""One command, one table: the fill beside other ways to make a raster, on the same lot in the same run.

    python tests/benchmarks/rasters.py [--rounds 5] [--tiles] [--slow]

The day lot has 1.5 M spots, 48 a line, on 4.7 km with bends; most peers run on its first bend, 235 m,
because a day would take them minutes. Ratios are against ours on the same spots. Every time is the median
of n rounds; `cpu` counts the seconds of all threads and of programs started, and neighbours on a shared
machine hardly change it. Errors are judged inside the mat against the field in closed form, from readings
without noise (noise rewards blurring) and with 1 degC of it. Peers that are not installed are left out:
pip install verde pyresample datashader xarray. Ours always draws three bands, its tiles on two threads. Peers
draw the map frame alone, so `x ours` is against our map frame; they draw one band unless the row says more.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pyproj
import rasterio
import rasterio.shutil
import shapely
from rasterio.transform import from_origin
from rasterio.warp import Resampling, reproject
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree

from thermosaic import model
from thermosaic.config import GridSection
from thermosaic.files import cog
from thermosaic.stages.s5_rasterise import rasterise_mat

CELL_M, PITCH_M, STEP_M, SPOTS, LINES = 0.1, 0.08, 0.1504, 48, 31_250
# place along the path, length, radius
BENDS = ((120, 60, 40), (600, 150, 80), (1500, 200, -120), (2500, 100, 60), (3600, 300, 200))
CHUNK_LINES = 100  # 15 m
CRS = rasterio.crs.CRS.from_epsg(26912)


@dataclass(frozen=True)
class Window:
    """Cells of the map: northing cells from row0 down, easting cells from col0 on."""

    row0: int
    col0: int
    rows: int
    cols: int

    @classmethod
    def around(cls, swath: model.Swath, lines: slice = slice(None)) -> Window:
        east, north = swath.edge_easting_m[lines] / CELL_M, swath.edge_northing_m[lines] / CELL_M
        low = np.floor([east.min(), north.min()]).astype(int) - 1
        high = np.ceil([east.max(), north.max()]).astype(int) + 1
        return cls(high[1] - 1, low[0], high[1] - low[1], high[0] - low[0])

    def centres(self) -> tuple[np.ndarray, np.ndarray]:
        east = (self.col0 + np.arange(self.cols) + 0.5) * CELL_M
        north = (self.row0 - np.arange(self.rows) + 0.5) * CELL_M
        return np.meshgrid(east, north)

    def slices(self, part: Window) -> tuple[slice, slice]:
        row, col = self.row0 - part.row0, part.col0 - self.col0
        return slice(row, row + part.rows), slice(col, col + part.cols)


def field(east_m: np.ndarray, north_m: np.ndarray) -> np.ndarray:
    """Temperature of the mat: waves of 1 to 3 m."""
    east_m, north_m = east_m - 500_000, north_m - 4_800_000
    return 140 + 5 * np.sin(east_m * 2.1 + np.cos(north_m)) + 3 * np.cos(north_m * 5.3 + east_m)


def day_lot(lines: int) -> tuple[model.Swath, model.Stations]:
    """Lines of a paver on a road with bends, its body wavering a little; temperatures from the field."""
    run_m = np.arange(lines) * STEP_M
    curvature = sum(np.where(np.abs(run_m - at) < long / 2, 1 / radius, 0.0) for at, long, radius in BENDS)
    course = 0.5 + np.cumsum(curvature) * STEP_M + 0.002 * np.sin(run_m / 7)
    east = 500_000 + np.cumsum(np.sin(course)) * STEP_M
    north = 4_800_000 + np.cumsum(np.cos(course)) * STEP_M
    right_m = (np.arange(SPOTS) - (SPOTS - 1) / 2) * PITCH_M
    edges_m = np.array([-1, 1]) * SPOTS * PITCH_M / 2
    turned = ((east[:, None], np.cos(course)[:, None]), (north[:, None], -np.sin(course)[:, None]))
    place, edge = ([at + turn * across_m for at, turn in turned] for across_m in (right_m, edges_m))
    seen = np.datetime64("2026-05-14T13:20:00", "ns") + (run_m * 10e9).astype("timedelta64[ns]")
    sigma = np.full((lines, SPOTS), 0.02, np.float32)
    swath = model.Swath(
        crs=pyproj.CRS(26912), line=np.arange(1, lines + 1),
        seen_utc=seen, laid_utc=seen - np.timedelta64(9, "s"),
        pass_code=np.zeros(lines, np.int16), distance_m=run_m, first_look=np.ones(lines, bool),
        heading_deg=np.degrees(course) % 360, speed_mps=np.full(lines, 0.1), placed=np.ones(lines, np.int8),
        easting_m=place[0], northing_m=place[1], sigma_along_m=sigma, sigma_across_m=sigma.copy(),
        temp_c=field(*place).astype(np.float32), bad_spot=np.zeros((1, SPOTS), bool),
        layouts=(model.Layout(right_m, right_m[:, None] + np.array([-1, 1]) * PITCH_M / 2, np.ones(SPOTS, bool),
                              edges_m, 0.9),),
        layout=np.zeros(lines, np.int16), edge_easting_m=edge[0], edge_northing_m=edge[1],
    )  # fmt: skip
    stations = model.Stations(
        alignment=None, frame_m=np.repeat(run_m[:, None], SPOTS, axis=1),
        offset_m=np.tile(right_m.astype(np.float32), (lines, 1)),
        line_frame_m=run_m, line_offset_m=np.zeros(lines),
        inside=np.ones((lines, SPOTS), bool), zero_m=np.zeros(1), upstation=np.ones(1, bool),
        edges_offset_m=edges_m[None], misclosure_m=float("nan"),
    )  # fmt: skip
    return swath, stations


# ------------------------------------------------------------------------------------------ ours and peers


def ours(swath: model.Swath, stations: model.Stations) -> model.Rasters:
    """Both frames, three bands, the whole stage."""
    return rasterise_mat(swath, stations, GridSection())


def ours_on_map(swath: model.Swath, stations: model.Stations) -> model.Rasters:
    """Draw the map frame, three bands; of the mat frame one cell every 5 m."""
    return rasterise_mat(swath, stations, GridSection(mat_cell="5 m"))


def as_window(rasters: model.Rasters, window: Window) -> np.ndarray:
    drawn = np.full((window.rows, window.cols), np.nan, np.float32)
    for tile in rasters.tiles:
        row, col = np.divmod(tile.cell, model.TILE_CELLS)
        drawn[window.row0 - tile.row0 + row, tile.col0 - window.col0 + col] = tile.bands[0]
    return drawn


def chunks(swath: model.Swath) -> Iterator[tuple[slice, Window]]:
    """Give stretches of 15 m and the window around each."""
    for start in range(0, len(swath.line) - 1, CHUNK_LINES):
        lines = slice(start, start + CHUNK_LINES + 1)
        yield lines, Window.around(swath, lines)


def by_chunks(draw: Callable, swath: model.Swath, window: Window | None) -> np.ndarray | None:
    """Draw stretch by stretch; keep the picture only where a window is given (not while timing a day)."""
    whole = None if window is None else np.full((window.rows, window.cols), np.nan, np.float32)
    for lines, part in chunks(swath):
        drawn = draw(swath.easting_m[lines], swath.northing_m[lines], swath.temp_c[lines], part)
        if whole is not None:
            there = whole[window.slices(part)]
            np.copyto(there, drawn, where=np.isnan(there))
    return whole


def corners(value: np.ndarray) -> np.ndarray:
    """Values half a line and half a spot before each reading: geolocation arrays place pixel corners."""
    wider = np.pad(value, ((1, 0), (1, 0)), mode="reflect", reflect_type="odd")
    return (wider[:-1, :-1] + wider[1:, :-1] + wider[:-1, 1:] + wider[1:, 1:]) / 4


def warp(options: dict[str, str]) -> Callable:
    """GDAL's warper over geolocation arrays, bilinear."""

    def draw(east_m, north_m, temp_c, part: Window) -> np.ndarray:
        drawn = np.full((part.rows, part.cols), np.nan, np.float32)
        transform = from_origin(part.col0 * CELL_M, (part.row0 + 1) * CELL_M, CELL_M, CELL_M)
        reproject(
            temp_c, drawn, src_geoloc_array=np.stack([corners(east_m), corners(north_m)]),
            src_crs=CRS, dst_crs=CRS, dst_transform=transform, src_nodata=np.nan, dst_nodata=np.nan,
            resampling=Resampling.bilinear, **options,
        )  # fmt: skip
        return drawn

    return lambda swath, window: by_chunks(draw, swath, window)


def near(tree: cKDTree, window: Window, neighbours: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cells within one step of a spot (a mask that every point gridder needs), and their nearest spots."""
    east, north = window.centres()
    points = np.column_stack([east.ravel(), north.ravel()])
    distance, index = tree.query(points, k=neighbours, distance_upper_bound=0.12)
    distance, index = distance.reshape(len(points), -1), index.reshape(len(points), -1)
    return np.isfinite(distance[:, 0]), distance, index


def spots(swath: model.Swath) -> np.ndarray:
    return np.column_stack([swath.easting_m.ravel(), swath.northing_m.ravel()])


def inverse_distance(swath: model.Swath, window: Window) -> np.ndarray:
    """Inverse distance weighting of the four nearest spots within 0.12 m."""
    mask, distance, index = near(cKDTree(spots(swath)), window, 4)
    weight = 1 / np.maximum(distance[mask], 1e-6) ** 2
    value = np.append(swath.temp_c.ravel(), 0)[index[mask]]
    drawn = np.full(window.rows * window.cols, np.nan, np.float32)
    drawn[mask] = (weight * value).sum(axis=1) / weight.sum(axis=1)
    return drawn.reshape(window.rows, window.cols)


def linear(swath: model.Swath, window: Window) -> np.ndarray:
    """Delaunay triangles, linear within, masked by distance."""
    mask, _, _ = near(cKDTree(spots(swath)), window, 1)
    origin = spots(swath)[0]
    east, north = window.centres()
    points = np.column_stack([east.ravel(), north.ravel()])[mask] - origin
    drawn = np.full(window.rows * window.cols, np.nan, np.float32)
    drawn[mask] = LinearNDInterpolator(spots(swath) - origin, swath.temp_c.ravel())(points)
    return drawn.reshape(window.rows, window.cols)


def verde_neighbours(swath: model.Swath, window: Window) -> np.ndarray:
    """verde: mean of the four nearest spots, masked by distance."""
    import verde

    east, north = window.centres()
    coordinates = (swath.easting_m.ravel(), swath.northing_m.ravel())
    gridder = verde.KNeighbors(k=4).fit(coordinates, swath.temp_c.ravel())
    drawn = gridder.predict((east, north)).astype(np.float32)
    drawn[~verde.distance_mask(coordinates, maxdist=0.12, coordinates=(east, north))] = np.nan
    return drawn


def elliptical(east_m, north_m, temp_c, part: Window, bands: int = 1) -> np.ndarray:
    """pyresample: elliptical weighted average, every stretch one scan; its index serves all bands."""
    from pyresample.ewa import fornav

    cols, rows = east_m / CELL_M - 0.5 - part.col0, part.row0 + 0.5 - north_m / CELL_M
    shape = (part.rows, part.cols)
    area = type("Area", (), {"width": part.cols, "height": part.rows, "shape": shape})
    read = temp_c if bands == 1 else (temp_c,) * bands
    return fornav(cols, rows, area, read, rows_per_scan=len(temp_c), fill=np.nan)[1]


def quadmesh(east_m, north_m, temp_c, part: Window) -> np.ndarray:
    """datashader: one value a quadrilateral."""
    import datashader
    import xarray

    dims = ("line", "spot")
    mesh = xarray.DataArray(temp_c, dims=dims, coords={"e": (dims, east_m), "n": (dims, north_m)}, name="t")
    starts = ((part.col0, part.cols), (part.row0 + 1 - part.rows, part.rows))
    ranges = [(at * CELL_M, (at + size) * CELL_M) for at, size in starts]
    canvas = datashader.Canvas(part.cols, part.rows, *ranges)
    return canvas.quadmesh(mesh, x="e", y="n").values[::-1].astype(np.float32)


def gdal_grid(method: str) -> Callable:
    """gdal_grid of GDAL's command line, from a binary virtual table, origin subtracted."""

    def draw(swath: model.Swath, window: Window) -> np.ndarray:
        with tempfile.TemporaryDirectory() as folder:
            return _run_gdal_grid(Path(folder), method, swath, window)

    return draw


def _run_gdal_grid(folder: Path, method: str, swath: model.Swath, window: Window) -> np.ndarray:
    west, south = window.col0 * CELL_M, (window.row0 + 1 - window.rows) * CELL_M
    points = np.column_stack([spots(swath) - [west, south], swath.temp_c.ravel()])
    np.savetxt(folder / "spots.csv", points, fmt="%.4f", delimiter=",", header="x,y,z", comments="")
    (folder / "spots.vrt").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="spots">'
        '<SrcDataSource relativeToVRT="1">spots.csv</SrcDataSource>'
        '<GeometryType>wkbPoint</GeometryType><GeometryField encoding="PointFromColumns" x="x" y="y" z="z"/>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    east, north = str(window.cols * CELL_M), str(window.rows * CELL_M)
    command = ["gdal_grid", "-q", "-a", method, "-txe", "0", east, "-tye", north, "0", "-ot", "Float32"]
    command += ["-outsize", str(window.cols), str(window.rows), "-l", "spots", "spots.vrt", "out.tif"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    with rasterio.open(folder / "out.tif") as file:
        drawn = file.read(1)
    return np.where(drawn == -9999, np.nan, drawn)


# ---------------------------------------------------------------------------------------------- the table


@dataclass(frozen=True)
class Scores:
    """What a picture is worth against the truth, inside the mat."""

    clean_c: float
    noisy_c: float
    empty_frac: float
    outside_frac: float


class Judge:
    """Truth of the stretch: which cells are mat, and the field at their centres."""

    def __init__(self, swath: model.Swath) -> None:
        self.window = Window.around(swath)
        edge = np.stack([swath.edge_easting_m, swath.edge_northing_m], axis=-1)
        self.east_m, self.north_m = self.window.centres()
        mat = shapely.Polygon(np.concatenate([edge[:, 0], edge[::-1, 1]]))
        shapely.prepare(mat)
        self.mat = shapely.contains_xy(mat, self.east_m, self.north_m)
        noise = np.random.default_rng(3).normal(0, 1, swath.temp_c.shape).astype(np.float32)
        self.clean, self.noisy = swath, replace(swath, temp_c=swath.temp_c + noise)

    def scores(self, draw: Callable[[model.Swath, Window], np.ndarray]) -> Scores:
        clean, noisy = (draw(swath, self.window) for swath in (self.clean, self.noisy))
        filled = np.isfinite(clean)
        both = filled & self.mat
        truth = field(self.east_m[both], self.north_m[both])
        rms = [float(np.sqrt(np.mean((drawn[both] - truth) ** 2))) for drawn in (clean, noisy)]
        cells = self.mat.sum()
        return Scores(*rms, (self.mat & ~filled).sum() / cells, (filled & ~self.mat).sum() / cells)


@dataclass(frozen=True)
class Cost:
    """Seconds of wall and of processor."""

    wall_s: float
    cpu_s: float


def cost(work: Callable[[], object], rounds: int) -> Cost:
    """Median of n rounds."""
    spent = []
    for _ in range(rounds):
        wall, cpu = time.perf_counter(), _spent_s()
        work()
        spent.append((time.perf_counter() - wall, _spent_s() - cpu))
    return Cost(*(float(np.median(times)) for times in zip(*spent, strict=True)))


def _spent_s() -> float:
    started = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + started.ru_utime + started.ru_stime


def peers(slow: bool) -> dict[str, tuple[Callable, int | None]]:
    """Name, drawing of the stretch, rounds (None = as asked)."""
    found = {
        "GDAL geolocation warp, default": (warp({}), None),
        "GDAL geolocation warp, sampled": (warp({"SAMPLE_GRID": "YES", "SAMPLE_STEPS": "50"}), None),
        "scipy cKDTree, inverse distance": (inverse_distance, None),
        "scipy LinearND, masked": (linear, 1),
    }
    if find_spec("datashader"):
        found["datashader quadmesh"] = (lambda swath, window: by_chunks(quadmesh, swath, window), None)
    if find_spec("pyresample"):
        found["pyresample EWA"] = (lambda swath, window: by_chunks(elliptical, swath, window), None)
        three = partial(elliptical, bands=3)
        found["pyresample EWA, three bands"] = (
            lambda swath, window: by_chunks(lambda *at: three(*at)[0], swath, window),
            None,
        )
    if find_spec("verde"):
        found["verde KNeighbors, masked"] = (verde_neighbours, 1)
    if slow and shutil.which("gdal_grid"):
        found["gdal_grid nearest"] = (gdal_grid("nearest:radius1=0.12:radius2=0.12:nodata=-9999"), 1)
        found["gdal_grid linear"] = (gdal_grid("linear:radius=0:nodata=-9999"), 1)
    return found


def head(lot: str) -> None:
    times = f"{'n':>3s}{'wall s':>10s}{'x ours':>8s}{'cpu s':>10s}{'x ours':>8s}"
    names = "".join(f"{name:>9s}" for name in ("RMSE", "noisy", "empty %", "out %"))
    print(f"{lot:36s}{times}{names}")


def row(name: str, spent: Cost, base: Cost, scores: Scores | None, rounds: int) -> None:
    worth = ""
    if scores is not None:
        shares = f"{100 * scores.empty_frac:9.3f}{100 * scores.outside_frac:9.3f}"
        worth = f"{scores.clean_c:9.3f}{scores.noisy_c:9.3f}{shares}"
    times = "".join(
        f"{mine:10.4f}{mine / ours:8.1f}"
        for mine, ours in ((spent.wall_s, base.wall_s), (spent.cpu_s, base.cpu_s))
    )
    print(f"{name:36s}{rounds:3d}{times}{worth}")


def fill_table(rounds: int, slow: bool) -> None:
    """Print ours and the peers on the stretch, then ours and the warp on the day."""
    stretch, stretch_stations = day_lot(1564)
    judge = Judge(stretch)
    head("235 m, 75,000 spots")
    base = cost(lambda: ours_on_map(stretch, stretch_stations), rounds)
    draw = lambda swath, window: as_window(ours(swath, stretch_stations), window)  # noqa: E731
    row("ours, three bands", base, base, judge.scores(draw), rounds)
    for name, (peer, own_rounds) in peers(slow).items():
        count = own_rounds or rounds
        scores = judge.scores(peer)
        row(name, cost(lambda peer=peer: peer(stretch, judge.window), count), base, scores, count)
    day, stations = day_lot(LINES)
    print()
    head("4.7 km, 1.5 M spots")
    base = cost(lambda: ours_on_map(day, stations), rounds)
    row("ours, three bands", base, base, None, rounds)
    row("ours, three bands, the mat frame too", cost(lambda: ours(day, stations), rounds), base, None, rounds)
    by_stretches = ("GDAL", "datashader", "pyresample")
    for name, (peer, _) in peers(slow).items():
        if name.startswith(by_stretches):
            row(name, cost(lambda peer=peer: peer(day, None), rounds), base, None, rounds)


def cost_table(rounds: int) -> None:
    """Print memory, memory bandwidth and the cost of compiling."""
    day, stations = day_lot(LINES)
    ours(*day_lot(300))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    rasters = ours(day, stations)
    extra = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    print(f"memory taken by the stage, both frames: {extra / 1024:.0f} MB")
    touched = _touched_bytes(day, stations, rasters)
    block = np.ones(50_000_000)
    rate = block.nbytes / cost(lambda: block.fill(2.0), 5).cpu_s
    spent = cost(lambda: ours(day, stations), rounds)
    times = " and ".join(f"{seconds * rate / touched:.1f}" for seconds in (spent.wall_s, spent.cpu_s))
    print(f"{touched / 1e6:.0f} MB touched, {rate / 1e9:.1f} GB/s: {times} (cpu) x that time")
    with tempfile.TemporaryDirectory() as cache:
        environment = {**os.environ, "NUMBA_CACHE_DIR": cache}
        command = [sys.executable, __file__, "--first-run"]
        cold, warm = (
            float(subprocess.run(command, env=environment, check=True, capture_output=True, text=True).stdout)
            for _ in range(2)
        )
    print(f"first run of the kernels in a new process: {cold:.2f} s of cpu, from the cache {warm:.2f} s")


def _touched_bytes(day: model.Swath, stations: model.Stations, rasters: model.Rasters) -> int:
    """Every byte that must be read or written once, and cells twice: under the pen, and as a tile."""
    cells = sum(len(tile.cell) for tile in rasters.tiles)
    cells += sum(np.isfinite(raster.temp_c).sum() for raster in rasters.mat)
    read = [day.temp_c, day.sigma_along_m, day.sigma_across_m, day.edge_easting_m, day.edge_northing_m]
    read += [stations.inside, stations.frame_m, stations.offset_m]
    return int(sum(array.nbytes for array in read) + cells * (14 + 16))


def tile_table() -> None:
    """Print the time of writing and checking the day's tiles, and of one band of its sparse bounding box."""
    day, stations = day_lot(LINES)
    rasters, dress = ours(day, stations), cog.RasterDress(day.crs)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        spent = cost(lambda: cog.make_tiles(folder, rasters, dress), 3)
        size = sum(path.stat().st_size for path in folder.rglob("*.tif"))
        print(f"{len(rasters.tiles)} tiles, mosaic, styles, read back: {_both(spent)}, {size / 1e6:.1f} MB")
        print(f"their check alone: {_both(cost(lambda: cog.check_tiles(folder, rasters, dress), 3))}")
        options = {"BLOCKSIZE": "256", "SPARSE_OK": "YES", **cog.PROFILES[dress.profile].options}
        text = (folder / "mosaic.vrt").read_text()
        single = text[: text.index('  <VRTRasterBand dataType="Float32" band="2"')] + "</VRTDataset>"
        (folder / "one.vrt").write_text(single)
        names = (folder / "one.vrt", folder / "box.tif")
        box = cost(lambda: rasterio.shutil.copy(*names, driver="COG", **options), 1)
        print(f"COG driver, one band of the sparse bounding box: {_both(box)}")


def _both(spent: Cost) -> str:
    return f"{spent.wall_s:.2f} s wall, {spent.cpu_s:.2f} s cpu"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--tiles", action="store_true", help="also write and check the day's tiles")
    parser.add_argument("--slow", action="store_true", help="also gdal_grid")
    parser.add_argument("--first-run", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.first_run:
        lot = day_lot(200)
        print(cost(lambda: ours(*lot), 1).cpu_s)
        return
    cost_table(asked.rounds)
    fill_table(asked.rounds, asked.slow)
    if asked.tiles:
        tile_table()


if __name__ == "__main__":
    main()
