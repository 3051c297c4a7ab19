"""Reading a road's line from vector files, against closed forms, shapely and the stated faults."""

import json

import fiona
import numpy as np
import pyproj
import pytest
import shapely

from sections import frames
from thermosaic.errors import ConfigError, InputError, MismatchError
from thermosaic.files import alignment
from thermosaic.files.alignment import read_alignment

MAP = "EPSG:6344"
ANGLE = np.arange(0.0, 1.0001, 1 / 30)
ARC = 500000.0 + 300.0 * (1 - np.cos(ANGLE)), 4982950.0 + 300.0 * np.sin(ANGLE)  # R 300 m, 10 m chords
US_FOOT_M = 1200 / 3937


def write(path, driver, *lines, crs=MAP, kind="LineString", layer=None):
    """Write lines of (name, coordinates) by fiona."""
    schema = {"geometry": kind, "properties": {"name": "str"}}
    more = {} if layer is None else {"layer": layer}
    with fiona.open(path, "w", driver=driver, crs=crs, schema=schema, **more) as file:
        for name, coordinates in lines:
            geometry = {"type": kind, "coordinates": coordinates}
            file.write({"geometry": geometry, "properties": {"name": name}})
    return path


def geojson(path, *geometries):
    features = [
        {"type": "Feature", "properties": {"name": f"L{i}"}, "geometry": g}
        for i, g in enumerate(geometries, 1)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def dxf(path, points, unit=6, layer="CL", tail="0\nEOF\n"):
    """Write a text DXF (its reference, from memory) with one POLYLINE."""
    vertices = "".join(f"0\nVERTEX\n8\n{layer}\n10\n{e!r}\n20\n{n!r}\n30\n0\n" for e, n in points)
    header = f"0\nSECTION\n2\nHEADER\n9\n$INSUNITS\n70\n{unit}\n0\nENDSEC\n"
    path.write_text(
        f"{header}0\nSECTION\n2\nENTITIES\n0\nPOLYLINE\n8\n{layer}\n66\n1\n70\n0\n"
        f"{vertices}0\nSEQEND\n0\nENDSEC\n{tail}"
    )
    return path


def points(line=ARC):
    return [(float(e), float(n)) for e, n in zip(*line, strict=True)]


def off_the_arc(road):
    """Distance of each vertex from the true circle, metres."""
    return np.abs(np.hypot(road.easting_m - ARC[0][0] - 300.0, road.northing_m - ARC[1][0]) - 300.0)


class TestFormats:
    @pytest.mark.parametrize(
        ("name", "driver"), [("a.gpkg", "GPKG"), ("a.shp", "ESRI Shapefile"), ("a.fgb", "FlatGeobuf")]
    )
    def test_gis_formats(self, tmp_path, name, driver):
        """An arc sampled every 10 m becomes a fine line on the circle, 300 m long."""
        road, operation, doubts, tally = read_alignment(
            write(tmp_path / name, driver, ("CL", points())), None, frames(MAP), start_m=1000.0
        )
        assert road.name == "CL"
        assert off_the_arc(road).max() < 0.003
        assert road.station_m[0] == 1000.0
        assert road.station_m[-1] - 1000.0 == pytest.approx(300.0, abs=0.01)
        assert (tally.role, tally.read, tally.used) == ("alignment", 31, 31)
        assert operation["accuracy_m"] == 0.0
        assert doubts == ()

    def test_geojson_in_its_true_frame(self, tmp_path):
        """Degrees stated as NAD 83(2011) land where PROJ puts NAD 83(2011), not WGS 84."""
        lon, lat = pyproj.Transformer.from_crs(MAP, "EPSG:6318", always_xy=True).transform(*ARC)
        path = geojson(tmp_path / "a.geojson", {"type": "LineString", "coordinates": points((lon, lat))})
        road, operation, _, _ = read_alignment(path, None, frames(MAP, "EPSG:6318"))
        assert (road.easting_m[0], road.northing_m[0]) == pytest.approx((ARC[0][0], ARC[1][0]), abs=1e-4)
        assert operation["source"].startswith("NAD83(2011)")

    def test_geojson_in_a_moving_frame(self, tmp_path):
        """Stated as ITRF2014 the line moves 1.4 m to NAD 83(2011) at the lot's epoch, as the fixes do."""
        lon, lat = pyproj.Transformer.from_crs(MAP, "EPSG:6318", always_xy=True).transform(*ARC)
        path = geojson(tmp_path / "a.geojson", {"type": "LineString", "coordinates": points((lon, lat))})
        road, operation, _, _ = read_alignment(path, None, frames(MAP, "EPSG:9000", epoch=2026.5))
        moved = np.hypot(road.easting_m[0] - ARC[0][0], road.northing_m[0] - ARC[1][0])
        assert moved == pytest.approx(1.42, abs=0.05)  # measured by PROJ alone for Minnesota at 2026.5
        assert operation["epoch"] == 2026.5

    def test_geojson_without_a_true_frame(self, tmp_path):
        """Plain WGS 84 is refused; accepted as equal it carries a doubt."""
        lon, lat = pyproj.Transformer.from_crs(MAP, "EPSG:6318", always_xy=True).transform(*ARC)
        path = geojson(tmp_path / "a.geojson", {"type": "LineString", "coordinates": points((lon, lat))})
        with pytest.raises(ConfigError, match=r"a\.geojson: WGS 84 .*key alignment in \[crs\]"):
            read_alignment(path, None, frames(MAP))
        _, _, doubts, _ = read_alignment(path, None, frames(MAP, accept_ensemble=True))
        assert [item.kind for item in doubts] == ["alignment_frame"]

    def test_feet_become_metres(self, tmp_path):
        """A GeoPackage in US survey feet (EPSG:6505) arrives in metres: feet x 1200/3937, stations too."""
        feet = [(2.8e6, 1.0e6), (2.8e6, 1.0e6 + 1000.0)]
        road, _, _, _ = read_alignment(
            write(tmp_path / "a.gpkg", "GPKG", ("CL", feet), crs="EPSG:6505"), None, frames("EPSG:6505")
        )
        assert road.easting_m[0] == pytest.approx(2.8e6 * US_FOOT_M, abs=1e-6)
        assert road.station_m[-1] == pytest.approx(1000 * US_FOOT_M, abs=1e-6)

    def test_dxf(self, tmp_path):
        """A DXF polyline is read in its stated frame, chosen by its drawing layer."""
        path = dxf(tmp_path / "a.dxf", points())
        road, _, _, _ = read_alignment(path, "CL", frames(MAP, MAP))
        assert off_the_arc(road).max() < 0.003
        with pytest.raises(ConfigError, match="does not say the frame of its numbers"):
            read_alignment(path, "CL", frames(MAP))

    @pytest.mark.parametrize(
        ("unit", "crs"), [(2, "EPSG:6505"), (21, "EPSG:6505"), (6, MAP), (0, "EPSG:6505")]
    )
    def test_dxf_units_that_fit(self, tmp_path, unit, crs):
        """Feet of either kind fit a frame in feet; no unit fits any."""
        path = dxf(
            tmp_path / "a.dxf", [(2.8e6, 1.0e6), (2.8e6, 1.0e6 + 1000.0)] if crs != MAP else points(), unit
        )
        assert read_alignment(path, None, frames(crs, crs))[3].used >= 2

    @pytest.mark.parametrize(("unit", "word"), [(1, "inch"), (2, "foot"), (4, "millimetre"), (9, "unit 9")])
    def test_dxf_units_that_do_not(self, tmp_path, unit, word):
        """Inches, feet or millimetres against a frame in metres stop the run."""
        with pytest.raises(MismatchError, match=rf"its unit is the {word}, but .* counts in metre"):
            read_alignment(dxf(tmp_path / "a.dxf", points(), unit), None, frames(MAP, MAP))

    @pytest.mark.parametrize("tail", ["", "0\n", "0\nEND"])
    def test_cut_dxf(self, tmp_path, tail):
        """A DXF that does not end in EOF is cut: half a line is never used."""
        with pytest.raises(InputError, match="is cut"):
            read_alignment(dxf(tmp_path / "a.dxf", points(), tail=tail), None, frames(MAP, MAP))

    def test_dxf_with_a_lost_half_of_a_pair(self, tmp_path):
        """A missing value line shifts codes and values: found with its line number."""
        path = dxf(tmp_path / "a.dxf", points())
        lines = path.read_text().split("\n")
        del lines[40]
        path.write_text("\n".join(lines))
        with pytest.raises(InputError, match=r"a\.dxf(:\d+: is no pair|: is cut)"):
            read_alignment(path, None, frames(MAP, MAP))


class TestChoice:
    def test_one_of_several_by_name(self, tmp_path):
        """Several lines need a name, and the names are listed."""
        path = write(tmp_path / "a.gpkg", "GPKG", ("EB", points()), ("WB", [(5e5, 5e6), (5e5, 5e6 + 50)]))
        with pytest.raises(InputError, match=r'holds 2 lines: choose one .* "EB", "WB"'):
            read_alignment(path, None, frames(MAP))
        with pytest.raises(InputError, match=r'no line named "NB": it holds "EB", "WB"'):
            read_alignment(path, "NB", frames(MAP))
        road, _, _, _ = read_alignment(path, "WB", frames(MAP))
        assert road.station_m[-1] == pytest.approx(50.0)

    def test_by_layer(self, tmp_path):
        """A layer's name chooses its line."""
        path = write(tmp_path / "a.gpkg", "GPKG", ("x", points()), layer="design")
        write(path, "GPKG", ("x", [(5e5, 5e6), (5e5, 5e6 + 50)]), layer="survey")
        assert read_alignment(path, "survey", frames(MAP))[0].station_m[-1] == pytest.approx(50.0)

    def test_parts_that_follow_are_one_line(self, tmp_path):
        """A multi-part line whose parts join end to end is one line; with a gap it is refused."""
        parts = [points()[:16], points()[15:]]
        path = write(tmp_path / "a.gpkg", "GPKG", ("CL", parts), kind="MultiLineString")
        assert off_the_arc(read_alignment(path, None, frames(MAP))[0]).max() < 0.005
        gap = write(
            tmp_path / "b.gpkg", "GPKG", ("CL", [points()[:15], points()[15:]]), kind="MultiLineString"
        )
        with pytest.raises(InputError, match="2 parts do not follow on one another"):
            read_alignment(gap, None, frames(MAP))

    @pytest.mark.parametrize(
        ("geometry", "words"),
        [
            (None, "has no line: it holds a feature without geometry"),
            ({"type": "Point", "coordinates": [5e5, 5e6]}, "has no line: it holds Point"),
            ({"type": "LineString", "coordinates": []}, "feature 1: its line is empty"),
            (
                {"type": "LineString", "coordinates": [[5e5, 5e6], [5e5, 5e6]]},
                r"feature 1: its line is 0\.000 m long",
            ),
            (
                {
                    "type": "LineString",
                    "coordinates": [[5e5, 5e6], [5e5 + 50, 5e6], [5e5 + 50, 5e6 + 50], [5e5, 5e6]],
                },
                "its line is closed",
            ),
            (
                {
                    "type": "LineString",
                    "coordinates": [[5e5, 5e6], [5e5 + 50, 5e6 + 50], [5e5 + 50, 5e6], [5e5, 5e6 + 50]],
                },
                r"crosses or doubles itself near 500025\.00 m east, 5000025\.00 m north",
            ),
            (
                {"type": "LineString", "coordinates": [[5e5, 5e6], [5e5 + 50, 5e6], [5e5 + 20, 5e6]]},
                "crosses or doubles itself",
            ),
        ],
        ids=["null", "point", "empty", "zero length", "closed", "crossing", "doubling"],
    )
    def test_lines_without_plain_stations(self, tmp_path, geometry, words):
        """Whatever would make stations ambiguous is refused with what was found."""
        with pytest.raises(InputError, match=words):
            read_alignment(geojson(tmp_path / "a.geojson", geometry), None, frames(MAP, MAP))

    def test_repeated_vertices_are_counted(self, tmp_path):
        """A vertex twice in a row is dropped, counted, and the balance holds."""
        doubled = [point for point in points() for _ in (0, 1)]
        _, _, _, tally = read_alignment(
            write(tmp_path / "a.gpkg", "GPKG", ("CL", doubled)), None, frames(MAP)
        )
        assert (tally.read, tally.used, tally.rejected) == (62, 31, {"repeated vertex": 31})


class TestPlace:
    def test_north_and_east_exchanged(self, tmp_path):
        """Northing first in a file read easting first lies outside the frame: refused, not shifted."""
        swapped = [(n, e) for e, n in points()]
        with pytest.raises(MismatchError):
            read_alignment(write(tmp_path / "a.gpkg", "GPKG", ("CL", swapped)), None, frames(MAP))

    def test_latitude_first_degrees(self, tmp_path):
        """Latitude and longitude exchanged: -93 is no latitude."""
        path = geojson(
            tmp_path / "a.geojson", {"type": "LineString", "coordinates": [[45.0, -93.0], [45.001, -93.0]]}
        )
        with pytest.raises(InputError, match="no longitude and latitude"):
            read_alignment(path, None, frames(MAP, "EPSG:6318"))

    def test_latitude_first(self, tmp_path):
        """Positions of a GeoJSON are longitude, latitude (RFC 7946, 3.1.1): the other order is told as such."""
        path = geojson(
            tmp_path / "a.geojson", {"type": "LineString", "coordinates": [[43.2, -111.9], [43.3, -111.9]]}
        )
        with pytest.raises(InputError, match="write longitude first"):
            read_alignment(path, None, frames(MAP, "EPSG:6318"))

    def test_grid_numbers_without_their_frame(self, tmp_path):
        """Eastings in a GeoJSON stated as degrees: said to state the true frame."""
        path = geojson(tmp_path / "a.geojson", {"type": "LineString", "coordinates": points()})
        with pytest.raises(InputError, match="state their true frame"):
            read_alignment(path, None, frames(MAP, "EPSG:6318"))
        assert off_the_arc(read_alignment(path, None, frames(MAP, MAP))[0]).max() < 0.003


class TestShape:
    def test_kinks_keep_the_rule(self, tmp_path):
        """Kink x largest offset / 2 <= cell / 4 at every vertex of the line that comes out."""
        road, _, _, _ = read_alignment(
            write(tmp_path / "a.gpkg", "GPKG", ("CL", points())), None, frames(MAP)
        )
        bearing = np.arctan2(np.diff(road.easting_m), np.diff(road.northing_m))
        largest = np.abs(np.diff(bearing)).max()
        assert largest * alignment.LARGEST_OFFSET_M / 2 <= alignment.CELL_M / 4

    def test_corners_are_doubted(self, tmp_path):
        """A bend of 45 deg between straights stays and is doubted with its place."""
        corner = [(5e5, 5e6), (5e5, 5e6 + 80), (5e5 + 50, 5e6 + 130)]
        path = write(tmp_path / "a.gpkg", "GPKG", ("CL", corner))
        road, _, doubts, _ = read_alignment(path, None, frames(MAP))
        assert len(road.station_m) == 3
        assert [item.kind for item in doubts] == ["alignment_corners"]
        assert doubts[0].amount == pytest.approx(45.0)
        assert "80.0 m from its start" in doubts[0].text

    def test_coarse_sampling_is_doubted(self, tmp_path):
        """60 m chords on a 300 m radius leave 1.5 m to guess (sagitta, closed form): said so."""
        path = write(tmp_path / "a.gpkg", "GPKG", ("CL", points()[::6]))
        road, _, doubts, _ = read_alignment(path, None, frames(MAP))
        assert [item.kind for item in doubts] == ["alignment_coarse"]
        assert doubts[0].amount == pytest.approx(300 * (1 - np.cos(0.1)), rel=0.25)
        assert off_the_arc(road).max() < 0.25

    def test_length_is_the_polyline_of_shapely(self, tmp_path):
        """Stations end at shapely's length of the fine line."""
        road, _, _, _ = read_alignment(
            write(tmp_path / "a.gpkg", "GPKG", ("CL", points())), None, frames(MAP)
        )
        line = shapely.LineString(np.column_stack((road.easting_m, road.northing_m)))
        assert road.station_m[-1] == pytest.approx(line.length, abs=1e-9)
