"""spots.parquet against the GeoParquet 1.1 text, geopandas as reader, and a row-by-row oracle."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import jsonschema
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import pytest
import shapely
from referencing import Registry, Resource

import builders
from thermosaic import model
from thermosaic.files import parquet
from thermosaic.files.manifest import reading_counts
from thermosaic.tables import SPOTS
from true_record import true_record

# Metadata of GeoParquet 1.1.0 (OGC 2024-11, "File metadata" and "Column metadata"), written from its text
GEOPARQUET_1_1: dict[str, Any] = {
    "type": "object",
    "required": ["version", "primary_column", "columns"],
    "properties": {
        "version": {"const": "1.1.0"},
        "primary_column": {"type": "string", "minLength": 1},
        "columns": {
            "type": "object",
            "minProperties": 1,
            "additionalProperties": {
                "type": "object",
                "required": ["encoding", "geometry_types"],
                "properties": {
                    "encoding": {
                        "enum": [
                            "WKB",
                            "point",
                            "linestring",
                            "polygon",
                            "multipoint",
                            "multilinestring",
                            "multipolygon",
                        ]
                    },
                    "geometry_types": {
                        "type": "array",
                        "uniqueItems": True,
                        "items": {
                            "pattern": "^(GeometryCollection|(Multi)?(Point|LineString|Polygon))( Z)?$"
                        },
                    },
                    "crs": {
                        "oneOf": [
                            {"$ref": "https://proj.org/schemas/v0.7/projjson.schema.json"},
                            {"type": "null"},
                        ]
                    },
                    "edges": {"enum": ["planar", "spherical"]},
                    "orientation": {"const": "counterclockwise"},
                    "bbox": {"type": "array", "items": {"type": "number"}, "minItems": 4, "maxItems": 6},
                    "epoch": {"type": "number"},
                },
            },
        },
    },
}

EVERY = 11  # rows that the slow oracle makes


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> model.LotRecord:
    """Give a lot in US survey feet, with an outage, a stop and spots off the mat."""
    return true_record(tmp_path_factory.mktemp("lot"), builders.us_curve_lot())


@pytest.fixture(scope="module")
def spots(record: model.LotRecord, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give its spots.parquet; read it, never write it."""
    path = tmp_path_factory.mktemp("spots") / "spots.parquet"
    parquet.write_spots(path, record)
    return path


def oracle(record: model.LotRecord) -> pd.DataFrame:
    """Make the rows one by one from the nouns, in plain Python."""
    swath, stations, passes = record.swath, record.stations, record.inputs.passes
    rows = []
    for line, spot in np.argwhere(record.findings.reason >= 0)[::EVERY]:
        code, reason = swath.pass_code[line], record.findings.reason[line, spot]
        along, across = float(swath.sigma_along_m[line, spot]), float(swath.sigma_across_m[line, spot])
        rows.append(
            {
                "line": swath.line[line],
                "spot": spot + 1,
                "scanner": None,
                "pass_id": passes[code].id,
                "seen_utc": swath.seen_utc[line],
                "laid_utc": swath.laid_utc[line],
                "look_age_s": (swath.seen_utc[line] - swath.laid_utc[line]) / np.timedelta64(1, "s"),
                "easting_m": swath.easting_m[line, spot],
                "northing_m": swath.northing_m[line, spot],
                "station_m": stations.zero_m[code] + stations.frame_m[line, spot],
                "offset_m": stations.offset_m[line, spot],
                "temp_c": swath.temp_c[line, spot],
                "temp_raw_c": np.float32(np.nan),
                "kept": reason == 0,
                "dropped_reason": model.REASONS[reason] or None,
                "placed": model.PLACED[swath.placed[line]],
                "sigma_along_m": along,
                "sigma_across_m": across,
                "position_sigma_m": (along**2 + across**2) ** 0.5,
                "speed_mps": swath.speed_mps[line],
            }
        )
    return pd.DataFrame(rows)


def test_every_row_equals_a_row_by_row_oracle(record: model.LotRecord, spots: Path) -> None:
    """Written in blocks of buffers, each column equals what a plain loop over the nouns makes, in order."""
    meant, read = oracle(record), pd.DataFrame(gpd.read_parquet(spots).drop(columns="geometry").iloc[::EVERY])
    read = read.reset_index(drop=True)
    assert list(read.columns) == list(meant.columns) == [column.name for column in SPOTS.columns]
    assert len(read) == len(meant) > 5_000
    for column in SPOTS.columns:
        left, right = read[column.name], meant[column.name]
        if column.dtype == "datetime":
            right = pd.to_datetime(right, utc=True).dt.round("ms")
            assert ((left == right) | (left.isna() & right.isna())).all(), column.name
        elif column.dtype == "text":
            left, right = (side.astype(object).where(side.notna(), None).tolist() for side in (left, right))
            assert left == right, column.name
        else:
            np.testing.assert_allclose(
                left.to_numpy(float), right.to_numpy(float), rtol=2e-7, err_msg=column.name
            )


def test_positions_are_exact_in_metres_and_in_feet_of_the_map(record: model.LotRecord, spots: Path) -> None:
    """Coordinates are the solved metres bit for bit; the geometry is in US survey feet (1200/3937 m)."""
    frame = gpd.read_parquet(spots)
    rows = record.findings.reason >= 0
    assert np.array_equal(frame["easting_m"], record.swath.easting_m[rows])
    np.testing.assert_allclose(frame.geometry.x * 1200 / 3937, frame["easting_m"], rtol=1e-15)
    np.testing.assert_allclose(frame.geometry.y * 1200 / 3937, frame["northing_m"], rtol=1e-15)
    assert frame.crs == pyproj.CRS(6551)


def test_metadata_keeps_to_geoparquet_1_1(spots: Path, record: model.LotRecord) -> None:
    """The geo metadata fits a schema of GeoParquet 1.1.0, its CRS fits PROJ's own PROJJSON schema."""
    projjson = json.loads((Path(pyproj.datadir.get_data_dir()) / "projjson.schema.json").read_text())
    registry = Registry().with_resource(
        "https://proj.org/schemas/v0.7/projjson.schema.json", Resource.from_contents(projjson)
    )
    geo = json.loads(pq.read_schema(spots).metadata[b"geo"])
    jsonschema.Draft7Validator(GEOPARQUET_1_1, registry=registry).validate(geo)
    column = geo["columns"][geo["primary_column"]]
    assert column["geometry_types"] == ["Point"]
    assert tuple(column["bbox"]) == tuple(gpd.read_parquet(spots).total_bounds)


def test_geometry_is_a_plain_byte_array_of_little_endian_points(spots: Path) -> None:
    """GeoParquet wants BYTE_ARRAY; each value is the 21-byte WKB that GEOS writes for the same point."""
    file = pq.ParquetFile(spots)
    column = file.schema.column(file.schema.names.index("geometry"))
    assert (column.physical_type, column.max_repetition_level) == ("BYTE_ARRAY", 0)
    table = file.read_row_group(0, columns=["geometry"])
    frame = gpd.read_parquet(spots).iloc[: len(table)]
    assert (
        table["geometry"].to_pylist()[:500]
        == shapely.to_wkb(frame.geometry.iloc[:500], byte_order=1).tolist()
    )


def test_file_is_compressed_and_cut_in_row_groups(spots: Path) -> None:
    """Every column is zstd; row groups stay below 100,000 rows, so that a reader can skip along station."""
    meta = pq.ParquetFile(spots).metadata
    groups = [meta.row_group(i) for i in range(meta.num_row_groups)]
    assert all(group.num_rows <= parquet.ROW_GROUP_ROWS for group in groups)
    assert {group.column(i).compression for group in groups for i in range(meta.num_columns)} == {"ZSTD"}
    assert all(group.column(meta.schema.names.index("station_m")).statistics.has_min_max for group in groups)


def test_a_second_writing_gives_the_same_bytes(spots: Path, record: model.LotRecord, tmp_path: Path) -> None:
    """Nothing of clock, path or thread enters the file."""
    parquet.write_spots(tmp_path / "again.parquet", record)
    assert (tmp_path / "again.parquet").read_bytes() == spots.read_bytes()


def test_no_reading_is_null_and_never_nan(spots: Path) -> None:
    """A spot without a reading is null, so that a mean in any SQL engine leaves it out."""
    table = pq.read_table(spots, columns=["temp_c", "dropped_reason"])
    reasons = np.array(table["dropped_reason"].to_pylist(), dtype=object)
    missing = table["temp_c"].is_null().to_numpy()
    assert np.array_equal(missing, reasons == "no_reading")
    assert not np.isnan(table["temp_c"].drop_null().to_numpy()).any()


def test_a_lot_without_any_row_is_still_a_valid_file(record: model.LotRecord, tmp_path: Path) -> None:
    """Zero readings give zero rows, no bbox, and every column."""
    none = model.Findings(
        np.full_like(record.findings.reason, model.NOT_A_ROW), record.findings.frames, {}, ()
    )
    empty = model.LotRecord(
        *(
            getattr(record, name)
            for name in ("config", "inputs", "trajectory", "swath", "stations", "rasters")
        ),
        none,
    )
    parquet.write_spots(tmp_path / "spots.parquet", empty)
    assert len(gpd.read_parquet(tmp_path / "spots.parquet")) == 0
    assert parquet.check_spots(tmp_path / "spots.parquet", record.swath.crs, {"rows": 0, "kept": 0}) == []


def test_the_checker_accepts_what_was_written(spots: Path, record: model.LotRecord) -> None:
    """The file as written has no difference."""
    assert parquet.check_spots(spots, record.swath.crs, reading_counts(record)) == []


def change(spots: Path, path: Path, name: str, edit: Any) -> Path:
    """Write the file again with one column changed."""
    table = pq.read_table(spots)
    at = table.column_names.index(name)
    table = table.set_column(at, table.schema.field(at), edit(table[name]))
    pq.write_table(table, path, row_group_size=10**6)
    return path


FAULTS = {
    "order": ("line", lambda c: pa.array(c.to_numpy()[::-1]), "order of line and spot"),
    "moved": ("easting_m", lambda c: pa.array(c.to_numpy() + 0.001), "geometry differs from easting_m"),
    "kept": ("kept", lambda c: pa.array(~c.to_numpy()), "a kept reading has a reason"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_checker_names_each_fault(
    spots: Path, record: model.LotRecord, tmp_path: Path, fault: str
) -> None:
    """Rows out of order, a position moved by a millimetre, a verdict turned round: each is named."""
    name, edit, text = FAULTS[fault]
    path = change(spots, tmp_path / "spots.parquet", name, edit)
    assert any(text in line for line in parquet.check_spots(path, record.swath.crs, reading_counts(record)))


def test_the_checker_names_wrong_counts_crs_and_a_cut_file(
    spots: Path, record: model.LotRecord, tmp_path: Path
) -> None:
    """Other counts, another CRS, a file cut in half."""
    counts = reading_counts(record)
    assert (
        "expected" in parquet.check_spots(spots, record.swath.crs, counts | {"kept": counts["kept"] + 1})[0]
    )
    assert "geo metadata differs" in parquet.check_spots(spots, pyproj.CRS(26910), counts)[0]
    (tmp_path / "cut.parquet").write_bytes(spots.read_bytes()[:5000])
    assert "cannot be read" in parquet.check_spots(tmp_path / "cut.parquet", record.swath.crs, counts)[0]
