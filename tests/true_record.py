"""A whole LotRecord straight from a synthetic lot's truth: plausible findings without any detecting code."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

import builders
from thermosaic import model
from thermosaic.files.manifest import sha256_of
from thermosaic.opening import load_config
from thermosaic.synthetic import SyntheticLot
from thermosaic.tables import LAYERS, Column, Table

PLAIN: dict[str, Any] = {"int32": 1, "int64": 100, "float32": 1.5, "float64": 1.5, "bool": True, "text": None}


def true_record(folder: Path, lot: SyntheticLot) -> model.LotRecord:
    """Write the lot into `folder` and return the record that a run of it could have."""
    builders.write_lot(folder, lot)
    config = load_config(folder)
    paths = [path for path in sorted(folder.iterdir()) if path.name != "lot.toml"]
    sources = tuple(model.Source("log", path.name, sha256_of(path), path.stat().st_size) for path in paths)
    inputs = builders.true_inputs(lot)
    inputs = model.LotInputs(**{**_fields(inputs), "sources": sources})
    swath, stations = builders.true_swath(lot), builders.true_stations(lot)
    return model.LotRecord(
        config,
        inputs,
        builders.true_trajectory(lot),
        swath,
        stations,
        _rasters(swath),
        _findings(lot, swath, stations, inputs),
    )


def _fields(noun: Any) -> dict[str, Any]:
    return {name: getattr(noun, name) for name in noun.__dataclass_fields__}


def _rasters(swath: model.Swath) -> model.Rasters:
    """Two map tiles' worth of nearest readings and one small mat block."""
    cell = 0.1
    tiles = []
    tile_e = np.floor(swath.easting_m / cell / 512).astype(int)
    tile_n = np.floor(swath.northing_m / cell / 512).astype(int)
    for n, e in sorted({(int(n), int(e)) for n, e in zip(tile_n.ravel(), tile_e.ravel(), strict=True)})[:2]:
        temp = np.full((model.TILE_CELLS, model.TILE_CELLS), np.nan, np.float32)
        here = (tile_e == e) & (tile_n == n)
        row = (n + 1) * 512 - 1 - np.floor(swath.northing_m[here] / cell).astype(int)
        col = np.floor(swath.easting_m[here] / cell).astype(int) - e * 512
        temp[row, col] = swath.temp_c[here]
        cells = np.flatnonzero(np.isfinite(temp)).astype(np.int32)
        bands = np.vstack([temp.ravel()[cells], np.full((1, len(cells)), 60), np.full((1, len(cells)), 0.02)])
        lattice = model.Lattice("map", cell)
        tiles.append(model.Tile(lattice, (n + 1) * 512 - 1, e * 512, cells, bands.astype(np.float32)))
    small = swath.temp_c[:300, swath.used_spot].T.copy()
    mat = model.Raster(
        model.Lattice("mat:1", 0.3048), -6, 3281, small, np.zeros_like(small), np.full_like(small, 0.02)
    )
    return model.Rasters(
        swath.seen_utc[0].astype("datetime64[s]").astype("datetime64[ns]"), (mat,), tuple(tiles), 0.0
    )


def _findings(
    lot: SyntheticLot, swath: model.Swath, stations: model.Stations, inputs: model.LotInputs
) -> model.Findings:
    reason = np.zeros(swath.temp_c.shape, np.int8)
    reason[~swath.first_look] = model.REASONS.index("second_look")
    reason[:20] = model.REASONS.index("start_up")
    reason[np.isnan(swath.temp_c)] = model.REASONS.index("no_reading")
    reason[
        (swath.placed == 0)[:, None] | ~swath.on_mat | ~stations.inside | ~np.isfinite(stations.frame_m)
    ] = model.NOT_A_ROW
    places = _Places(swath, stations, inputs)
    rows = dict(zip([table.name for table in LAYERS], _rows(places), strict=True))
    kept, dropped = int(np.sum(reason == 0)), int(np.sum(reason > 0))
    rows["lot"] = [
        row | {"reading_kept_count": kept, "reading_dropped_count": dropped} for row in rows["lot"]
    ]
    frames = {table.name: _frame(table, rows[table.name]) for table in LAYERS}
    doubts = (model.Doubt("s6", "invented", "These findings are invented for a test", 1.5, "m"),)
    return model.Findings(reason, frames, {"zones": len(frames["cold_zones"])}, doubts)


class _Places:
    """Pieces of mat of the first pass, by first and last line."""

    def __init__(self, swath: model.Swath, stations: model.Stations, inputs: model.LotInputs) -> None:
        self.swath, self.stations, self.inputs = swath, stations, inputs
        self.lines = np.flatnonzero((swath.pass_code == 0) & (swath.placed > 0) & swath.first_look)

    def part(self, start: float, end: float) -> np.ndarray:
        """Lines between two shares of the pass."""
        count = len(self.lines)
        return self.lines[int(start * count) : max(int(end * count), int(start * count) + 2)]

    def polygon(self, lines: np.ndarray, left: float = 0.0, right: float = 1.0) -> shapely.Polygon:
        """The mat over these lines, between two shares of its width from the left."""
        east, north = self.swath.edge_easting_m[lines], self.swath.edge_northing_m[lines]
        side = [np.column_stack([east @ [1 - s, s], north @ [1 - s, s]]) for s in (left, right)]
        return shapely.Polygon(np.vstack([side[0], side[1][::-1]])).buffer(0)

    def common(self, lines: np.ndarray) -> dict[str, Any]:
        """Identity, stations and times of these lines."""
        station = self.stations.line_frame_m[lines] + self.stations.zero_m[0]
        seen = self.swath.seen_utc
        return {
            "pass_id": self.inputs.passes[0].id,
            "travel": "upstation" if self.stations.upstation[0] else "downstation",
            "station_from_m": float(station.min()),
            "station_to_m": float(station.max()),
            "station_m": float(station.mean()),
            "start_utc": seen[lines[0]],
            "end_utc": seen[lines[-1]],
            "laid_from_utc": seen[lines[0]],
            "laid_to_utc": seen[lines[-1]],
        }


def _rows(places: _Places) -> list[list[dict[str, Any]]]:
    """Rows of each layer in the order of LAYERS."""
    whole = places.part(0, 1)
    mat = places.common(whole) | {"geometry": places.polygon(whole)}
    tenths = [places.part(i / 10, (i + 1) / 10) for i in range(10)]
    track = shapely.LineString(
        np.column_stack(
            [
                places.swath.edge_easting_m[whole].mean(axis=1),
                places.swath.edge_northing_m[whole].mean(axis=1),
            ]
        )
    )
    lot = [mat | {"class_0_count": 5}, mat | {"pass_id": None, "travel": None}]
    ticks = [
        places.common(part) | {"azimuth_deg": 70.0, "geometry": track.interpolate(i / 10, normalized=True)}
        for i, part in enumerate(tenths)
    ]
    gaps, dropped = _gaps(places), _dropped(places)
    return [
        lot,
        [mat],
        [mat | {"geometry": track}],
        _zones(places),
        _stops(places),
        [
            places.common(part)
            | {
                "segment_id": i + 1,
                "speed_mean_mps": [0.02, 0.04, 0.1, 0.15, 0.3][i % 5],
                "geometry": places.polygon(part),
            }
            for i, part in enumerate(tenths)
        ],
        [_profile(places, part, i) for i, part in enumerate(tenths)],
        [
            places.common(part)
            | {"load_id": i + 1, "cut_by": "load_length", "geometry": places.polygon(part)}
            for i, part in enumerate(tenths)
        ],
        dropped,
        gaps,
        ticks,
        [places.common(tenths[4]) | {"entry_id": 1, "kind": "truck", "geometry": places.polygon(tenths[4])}],
        [
            places.common(tenths[i]) | {"point_id": f"E{i}", "geometry": places.polygon(tenths[i]).centroid}
            for i in (2, 7)
        ],
    ]


def _gaps(places: _Places) -> list[dict[str, Any]]:
    part = places.part(0.8, 0.84)
    gap = places.common(part)
    return [
        gap | {"kind": "no_fix", "geometry": places.polygon(part)},
        gap | {"kind": "not_paving", "geometry": None},
    ]


def _dropped(places: _Places) -> list[dict[str, Any]]:
    parts = [places.part(i / 12, i / 12 + 0.04) for i in range(12)]
    return [
        places.common(part) | {"reason": reason, "reading_count": 10, "geometry": places.polygon(part)}
        for part, reason in zip(parts, model.REASONS[1:], strict=True)
    ]


def _zones(places: _Places) -> list[dict[str, Any]]:
    parts = [(0.1, 0.12, 15.0), (0.3, 0.33, 22.0), (0.5, 0.54, 35.0), (0.7, 0.72, 60.0)]
    return [
        places.common(places.part(a, b))
        | {
            "zone_id": i,
            "deficit_max_delta_c": deep,
            "pattern": "single",
            "pattern_2": None,
            "edge_side": "left",
            "evidence": "15.0 degC below the mat around it",
            "stop_id": 1 if i == 2 else None,
            "geometry": places.polygon(places.part(a, b), 0.3, 0.6),
        }
        for i, (a, b, deep) in enumerate(parts, start=1)
    ]


def _stops(places: _Places) -> list[dict[str, Any]]:
    return [
        places.common(places.part(a, a))
        | {
            "stop_id": i,
            "duration_s": duration,
            "reason": None,
            "edge_side": None,
            "geometry": places.polygon(places.part(a, a + 0.005)),
        }
        for i, (a, duration) in enumerate(((0.15, 30.0), (0.35, 100.0), (0.6, 400.0), (0.9, 1500.0)), start=1)
    ]


def _profile(places: _Places, part: np.ndarray, number: int) -> dict[str, Any]:
    rank = [0, 1, 2, None][number % 4]
    word = "insufficient" if rank is None else ("none", "moderate", "severe")[rank]
    return places.common(part) | {
        "profile_id": number + 1,
        "class_rank": rank,
        "profile_class": word,
        "sample": "cell_mean",
        "placed": "fixes" if rank is not None else None,
        "differential_delta_c": np.nan if rank is None else 10.0 + 12 * rank,
        "geometry": places.polygon(part),
    }


def _frame(table: Table, rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    """Give rows every column that a finding stage gives, typed, with plain values where the row has none."""
    columns = {column.name: _series(column, rows) for column in table.found()}
    frame = pd.DataFrame(columns, index=pd.RangeIndex(len(rows)))
    return gpd.GeoDataFrame(
        frame, geometry=np.array([row["geometry"] for row in rows], dtype=object), crs=None
    )


def _series(column: Column, rows: list[dict[str, Any]]) -> pd.Series:
    kinds: dict[str, Callable[[list[Any]], pd.Series]] = {
        "text": lambda v: pd.Series(v, dtype=object),
        "int32": lambda v: pd.Series(v, dtype="Int32"),
        "int64": lambda v: pd.Series(v, dtype="Int64"),
        "float64": lambda v: pd.Series(v, dtype="float64"),
        "bool": lambda v: pd.Series(v, dtype="boolean"),
        "datetime": lambda v: pd.Series(np.array(v, dtype="datetime64[ns]")),
    }
    plain = 0.5 if column.name.endswith("_frac") else PLAIN.get(column.dtype)
    return kinds[column.dtype]([row.get(column.name, plain) for row in rows])


def without_findings(record: model.LotRecord) -> model.LotRecord:
    """Return the same record with every layer empty but `lot`."""
    empty = {
        name: frame if name == "lot" else frame.iloc[:0] for name, frame in record.findings.frames.items()
    }
    findings = model.Findings(record.findings.reason.copy(), empty, {}, ())
    return model.LotRecord(**{**_fields(record), "findings": findings})
