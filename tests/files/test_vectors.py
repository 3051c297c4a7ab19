"""Strangers' vector files: what is read, and how each fault is refused without harm."""

import hashlib
import json
import os
import sqlite3
import struct

import fiona
import numpy as np
import pyproj
import pytest
import shapely

from sections import frames
from thermosaic.errors import ConfigError, InputError, MismatchError
from thermosaic.files import vectors

SQUARE = [[(500000.0, 4982950.0), (500010.0, 4982950.0), (500010.0, 4982960.0), (500000.0, 4982960.0)]]
SQUARE[0].append(SQUARE[0][0])
MAP = "EPSG:6344"


def write(path, driver, geometry=None, crs=MAP, layer=None, kind="Polygon", **columns):
    """Write one feature by fiona: the reader's own library, another direction."""
    columns = columns or {"reason": "bridge"}
    schema = {"geometry": kind, "properties": {name: "str" for name in columns}}
    more = {} if layer is None else {"layer": layer}
    with fiona.open(path, "w", driver=driver, crs=crs, schema=schema, **more) as file:
        file.write(
            {"geometry": geometry or {"type": "Polygon", "coordinates": SQUARE}, "properties": columns}
        )
    return path


def collection(*features, **members):
    return json.dumps({"type": "FeatureCollection", "features": list(features), **members})


def feature(geometry, **columns):
    return {"type": "Feature", "properties": columns, "geometry": geometry}


def digest(folder):
    """Names and contents of everything in a folder."""
    return {item.name: hashlib.sha256(item.read_bytes()).hexdigest() for item in sorted(folder.iterdir())}


@pytest.fixture
def package(tmp_path):
    return write(tmp_path / "a.gpkg", "GPKG", layer="parts")


class TestExclusions:
    @pytest.mark.parametrize(
        ("name", "driver"),
        [("a.gpkg", "GPKG"), ("a.shp", "ESRI Shapefile"), ("a.fgb", "FlatGeobuf"), ("a.geojson", "GeoJSON")],
    )
    def test_every_format_gives_the_same_metres(self, tmp_path, name, driver):
        """One polygon in four formats arrives in map metres with its reason, the file untouched."""
        stated = MAP if driver == "GeoJSON" else None
        path = write(tmp_path / name, driver, crs=None if driver == "GeoJSON" else MAP)
        before = digest(tmp_path)
        (found,) = vectors.read_exclusions(path, frames(MAP, stated))
        assert found.reason == "bridge"
        np.testing.assert_allclose(
            shapely.bounds(found.polygon), (500000, 4982950, 500010, 4982960), atol=1e-3
        )
        assert digest(tmp_path) == before

    def test_polygons_come_in_metres_of_a_map_in_feet(self, package):
        """Into EPSG:6505 (US survey feet) the area stays 100 m2, but for the scales."""
        (found,) = vectors.read_exclusions(package, frames("EPSG:6505"))
        assert found.polygon.area == pytest.approx(100.0, rel=1e-3)

    def test_degrees_of_a_true_frame(self, tmp_path):
        """GeoJSON degrees stated as NAD 83(2011) are taken as that, not as WGS 84."""
        lon, lat = pyproj.Transformer.from_crs("EPSG:6344", "EPSG:6318", always_xy=True).transform(
            *np.transpose(SQUARE[0])
        )
        path = tmp_path / "a.geojson"
        ring = [list(point) for point in zip(lon, lat, strict=True)]
        path.write_text(collection(feature({"type": "Polygon", "coordinates": [ring]}, reason="joint")))
        (found,) = vectors.read_exclusions(path, frames(MAP, "EPSG:6318"))
        np.testing.assert_allclose(
            shapely.bounds(found.polygon), (500000, 4982950, 500010, 4982960), atol=1e-4
        )
        with pytest.raises(ConfigError, match=r"a\.geojson: .*family of frames"):
            vectors.read_exclusions(path, frames(MAP))

    @pytest.mark.parametrize(
        ("geometry", "words"),
        [
            (
                {"type": "Point", "coordinates": (500000.0, 4982950.0)},
                "feature 1: a polygon is expected, not a Point",
            ),
            (None, "feature 1: a polygon is expected, not no geometry"),
            (
                {"type": "Polygon", "coordinates": [[[0, 0], [9, 9], [9, 0], [0, 9], [0, 0]]]},
                "feature 1: its polygon is not valid: Self-intersection",
            ),
        ],
    )
    def test_unusable_polygons_are_named(self, tmp_path, geometry, words):
        """A feature that is no plain polygon stops the run with its number."""
        path = tmp_path / "a.geojson"
        path.write_text(collection(feature(geometry, reason="x")))
        with pytest.raises(InputError, match=words):
            vectors.read_exclusions(path, frames(MAP, MAP))

    def test_a_reason_is_needed(self, tmp_path):
        """Without a reason column the columns there are listed."""
        path = write(tmp_path / "a.gpkg", "GPKG", note="x")
        with pytest.raises(InputError, match="no column reason; columns are note"):
            vectors.read_exclusions(path, frames(MAP))

    def test_empty_file(self, tmp_path):
        """A collection without features is said to be so."""
        path = tmp_path / "a.geojson"
        path.write_text(collection())
        with pytest.raises(InputError, match="has no polygon"):
            vectors.read_exclusions(path, frames(MAP, MAP))

    def test_another_continent(self, tmp_path):
        """Polygons in Australia cannot belong to a lot in Minnesota."""
        path = write(tmp_path / "a.gpkg", "GPKG", crs="EPSG:7855")
        with pytest.raises(MismatchError, match="outside"):
            vectors.read_exclusions(path, frames(MAP))


class TestGeoJson:
    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("{", "is not JSON"),
            ("[1, 2]", "not GeoJSON"),
            ('{"a": 1}', "not GeoJSON"),
            ("[" * 200_000, "nested too deeply"),
            (
                collection(feature({"type": "Point", "coordinates": [0, 0]})).replace("[0, 0]", "[NaN, 0]"),
                "number NaN",
            ),
            (
                collection(feature({"type": "Point", "coordinates": [0, 0]})).replace("[0, 0]", "[1e999, 0]"),
                "1e999",
            ),
            (
                collection(feature({"type": "Point", "coordinates": [0, 0]})).replace(
                    "[0, 0]", f"[{'9' * 6000}, 0]"
                ),
                "number 9",
            ),
            (collection(feature({"type": "Point", "coordinates": [1e300, 0]})), "1e\\+300"),
            (
                collection(feature({"type": "Point", "coordinates": [1e200, 0]})),
                "feature 1: a coordinate is not",
            ),
        ],
    )
    def test_faults(self, tmp_path, text, words):
        """Broken, deep or non-finite JSON is refused with the file named, never a traceback."""
        path = tmp_path / "a.geojson"
        path.write_text(text)
        with pytest.raises(InputError, match=f"a.geojson.*{words}"):
            vectors.read_layers(path)

    def test_bytes_that_are_no_text(self, tmp_path):
        """A binary file under a GeoJSON's name."""
        path = tmp_path / "a.json"
        path.write_bytes(b"\xff\xfe\x00\x81")
        with pytest.raises(InputError, match="is not JSON"):
            vectors.read_layers(path)

    def test_links_are_not_followed(self, tmp_path):
        """A `crs` member with an address is ignored: nothing is fetched, the frame counts as plain WGS 84."""
        import http.server
        import threading

        asked = []

        class Canary(http.server.BaseHTTPRequestHandler):
            def do_GET(self):
                asked.append(self.path)
                self.send_error(404)

        server = http.server.HTTPServer(("127.0.0.1", 0), Canary)
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            link = {
                "type": "link",
                "properties": {"href": f"http://127.0.0.1:{server.server_port}/x", "type": "ogcwkt"},
            }
            path = tmp_path / "a.geojson"
            path.write_text(collection(feature({"type": "Point", "coordinates": [1, 2]}), crs=link))
            (layer,) = vectors.read_layers(path)
        finally:
            server.shutdown()
            thread.join()
            server.server_close()
        assert asked == []
        assert layer.crs.to_epsg() == 4326

    @pytest.mark.parametrize(
        "name", ["urn:ogc:def:crs:EPSG::6344", "EPSG:6344", "urn:ogc:def:crs:EPSG:10.2:6344"]
    )
    def test_named_frame_of_old_files(self, tmp_path, name):
        """The `crs` member of GeoJSON 2008 names a frame by its EPSG code."""
        path = tmp_path / "a.geojson"
        member = {"type": "name", "properties": {"name": name}}
        path.write_text(collection(feature({"type": "Point", "coordinates": [5e5, 5e6]}), crs=member))
        assert vectors.read_layers(path)[0].crs.to_epsg() == 6344


class TestGeoPackage:
    def test_reading_changes_nothing(self, package):
        """Not a byte of the file changes and no file appears beside it, also in a read-only folder."""
        before = digest(package.parent)
        os.chmod(package.parent, 0o555)
        try:
            (layer,) = vectors.read_layers(package)
        finally:
            os.chmod(package.parent, 0o755)
        assert layer.name == "parts"
        assert digest(package.parent) == before

    def test_closed_write_ahead_file_is_read(self, package):
        """A file left in WAL mode but closed is whole."""
        database = sqlite3.connect(package)
        database.execute("PRAGMA journal_mode = WAL")
        database.close()
        assert len(vectors.read_layers(package)[0].records) == 1

    @pytest.mark.parametrize("ending", ["-wal", "-journal"])
    def test_open_in_another_program(self, package, ending):
        """A journal beside the file means half of it may be elsewhere: close or export; the journal stays."""
        beside = package.with_name(package.name + ending)
        beside.write_bytes(b"x" * 100)
        before = digest(package.parent)
        with pytest.raises(InputError, match=r"open in another program .*: close it or export a copy"):
            vectors.read_layers(package)
        assert digest(package.parent) == before

    def test_open_by_a_real_writer(self, package):
        """A writer in WAL mode with unsaved pages is noticed."""
        database = sqlite3.connect(package)
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("CREATE TABLE later (a)")
        database.commit()
        with pytest.raises(InputError, match="open in another program"):
            vectors.read_layers(package)
        database.close()

    def test_cut(self, package):
        """Half a file is refused with both sizes."""
        content = package.read_bytes()
        package.write_bytes(content[: len(content) // 2])
        with pytest.raises(InputError, match=rf"is cut: \d+ of {len(content)} bytes"):
            vectors.read_layers(package)

    def test_not_a_database(self, tmp_path):
        """Text under a GeoPackage's name."""
        path = tmp_path / "a.gpkg"
        path.write_text("hello " * 100)
        with pytest.raises(InputError, match="is not a GeoPackage"):
            vectors.read_layers(path)

    def test_flipped_bits_in_a_page(self, package):
        """A damaged page is found before anything is read from it."""
        content = bytearray(package.read_bytes())
        for page in range(2, len(content) // 4096):
            content[page * 4096 : page * 4096 + 8] = b"\xff" * 8
        package.write_bytes(content)
        with pytest.raises(InputError, match="damaged GeoPackage"):
            vectors.read_layers(package)

    @pytest.mark.parametrize("table", ["parts", "gpkg_contents"])
    def test_endless_view_in_place_of_a_table(self, package, table):
        """A view that never ends is refused by its kind, in less than seconds."""
        database = sqlite3.connect(package)
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f"DROP TRIGGER {name}")
        database.execute(f"ALTER TABLE {table} RENAME TO kept")
        database.execute(
            f"CREATE VIEW {table} AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) "
            "SELECT i AS fid, NULL AS geom, 'x' AS table_name FROM n"
        )
        database.commit()
        database.close()
        with pytest.raises(InputError, match="has a view in place of a table"):
            vectors.read_layers(package)

    def test_triggers_do_not_fire(self, package):
        """A trigger in a stranger's file has no effect: nothing is written."""
        database = sqlite3.connect(package)
        database.execute("CREATE TRIGGER boom AFTER UPDATE ON gpkg_contents BEGIN DELETE FROM parts; END")
        database.commit()
        database.close()
        before = digest(package.parent)
        assert len(vectors.read_layers(package)[0].records) == 1
        assert digest(package.parent) == before

    def test_layer_name_is_only_a_name(self, tmp_path):
        """SQL in a layer's name is text."""
        path = write(tmp_path / "a.gpkg", "GPKG", layer='x"; DROP TABLE gpkg_contents; --')
        (layer,) = vectors.read_layers(path)
        assert layer.name == 'x"; DROP TABLE gpkg_contents; --'
        assert len(layer.records) == 1

    def test_geometry_that_claims_four_billion_points(self, package):
        """A blob whose count is a lie is refused, without the memory it asks for."""
        database = sqlite3.connect(package)
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f"DROP TRIGGER {name}")
        blob = (
            b"GP\x00\x01"
            + struct.pack("<i", 6344)
            + b"\x01"
            + struct.pack("<II", 2, 0xFFFFFFF0)
            + b"\x00" * 64
        )
        database.execute("UPDATE parts SET geom = ?", (blob,))
        database.commit()
        database.close()
        with pytest.raises(InputError, match="feature 1"):
            vectors.read_exclusions(package, frames(MAP))


class TestOtherFormats:
    @pytest.mark.parametrize("ending", [".shx", ".dbf"])
    def test_lonely_shapefile(self, tmp_path, ending):
        """A Shapefile without its companions is refused naming the missing one."""
        path = write(tmp_path / "a.shp", "ESRI Shapefile")
        path.with_suffix(ending).unlink()
        with pytest.raises(InputError, match=f"lacks its {ending} file"):
            vectors.read_layers(path)

    def test_cut_shapefile(self, tmp_path):
        """A Shapefile shorter than its header says is cut."""
        path = write(tmp_path / "a.shp", "ESRI Shapefile")
        path.write_bytes(path.read_bytes()[:-40])
        with pytest.raises(InputError, match="is cut"):
            vectors.read_layers(path)

    def test_cut_flatgeobuf(self, tmp_path):
        """A FlatGeobuf cut in its features does not pass as a shorter one."""
        path = write(tmp_path / "a.fgb", "FlatGeobuf")
        path.write_bytes(path.read_bytes()[:-30])
        with pytest.raises(InputError):
            vectors.read_exclusions(path, frames(MAP))

    @pytest.mark.parametrize("name", ["a.kml", "a.zip", "a.gpkg.txt", "a"])
    def test_other_kinds(self, tmp_path, name):
        """Only the stated kinds of file are opened, by their ending."""
        path = tmp_path / name
        path.write_text("x")
        with pytest.raises(InputError, match="is not a vector file read here"):
            vectors.read_layers(path)

    def test_no_ordinary_file(self, tmp_path):
        """Missing files, folders, pipes and loops of links are refused at once."""
        (tmp_path / "b.gpkg").mkdir()
        os.mkfifo(tmp_path / "c.gpkg")
        (tmp_path / "d.gpkg").symlink_to(tmp_path / "d.gpkg")
        for name in "abcd":
            with pytest.raises(InputError, match=f"{name}.gpkg"):
                vectors.read_layers(tmp_path / f"{name}.gpkg")

    def test_size_limits_are_stated(self, package, monkeypatch):
        """Over the limits the message carries the limit."""
        monkeypatch.setattr(vectors, "MOST_VERTICES", 3)
        with pytest.raises(InputError, match="or 3 vertices"):
            vectors.read_layers(package)
        monkeypatch.setattr(vectors, "LARGEST_BYTES", 1 << 10)
        with pytest.raises(InputError, match="is larger than"):
            vectors.read_layers(package)
