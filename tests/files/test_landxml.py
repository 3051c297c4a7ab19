"""LandXML alignments against a textbook curve, Fresnel integrals, and real design files."""

import itertools
import math
import os
import time
from pathlib import Path

import numpy as np
import pyproj
import pytest
import scipy.special
import shapely

from sections import frames
from thermosaic.errors import InputError, MismatchError
from thermosaic.files.alignment import read_alignment, station_equations
from thermosaic.files.landxml import read_designs
from thermosaic.kernels import polyline
from thermosaic.units import StationEquation, StationLabels

MAP = "EPSG:6344"
ORIGIN = np.array([500000.0, 4982950.0])  # easting, northing
REAL = (
    Path(os.environ.get("THERMOSAIC_REAL_LOGS", Path(__file__).parents[3] / "shared" / "data")) / "alignment"
)


def landxml(
    path, elements, unit='Metric linearUnit="meter"', head="", system="", attributes='name="CL"', more=""
):
    path.write_text(
        f'<?xml version="1.0"?>{head}<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2">'
        f"<Units><{unit}/></Units>{system}<Alignments><Alignment {attributes}>"
        f"<CoordGeom>{elements}</CoordGeom>{more}</Alignment></Alignments></LandXML>"
    )
    return path


def at(kind, east, north):
    """A point element: northing first."""
    return f"<{kind}>{float(ORIGIN[1] + north)!r} {float(ORIGIN[0] + east)!r}</{kind}>"


def line(start, end):
    return f"<Line>{at('Start', *start)}{at('End', *end)}</Line>"


def read(path, **more):
    return read_alignment(path, None, frames(MAP, more.pop("stated_crs", MAP)), **more)


class TestGeometry:
    def test_sample_segments(self, tmp_path):
        """A published reader's sample: station 4.805329, lengths 0.19467, 5.00000, northing first."""
        points = [(58.166362, 96.336988), (58.109736, 96.523242), (56.655326, 101.307036)]
        elements = "".join(
            f"<Line><Start>{a[0]} {a[1]}</Start><End>{b[0]} {b[1]}</End></Line>"
            for a, b in itertools.pairwise(points)
        )
        (design,) = read_designs(
            landxml(tmp_path / "a.xml", elements, attributes='name="x" staStart="4.805329"')
        )
        lengths = np.hypot(*np.diff(design.vertices, axis=0).T)
        assert lengths == pytest.approx([0.19467, 5.0], abs=1e-5)
        assert design.start_m + lengths[0] == pytest.approx(5.0, abs=1e-5)
        assert design.vertices[0].tolist() == [96.336988, 58.166362]

    @pytest.mark.parametrize("rot", ["cw", "ccw", None])
    def test_textbook_curve(self, tmp_path, rot):
        """D 8 deg (R 18000/8pi = 716.20 ft), delta 25 deg 30 min: L 318.75 ft, PC 10+87.94, PT 14+06.69."""
        foot, side = 0.3048, -1 if rot == "ccw" else 1
        radius, delta = 18000 / (8 * math.pi) * foot, math.radians(25.5)
        end = side * radius * (1 - math.cos(delta)), radius * math.sin(delta)
        turn = "" if rot is None else f' rot="{rot}"'
        curve = f"<Curve{turn}>{at('Start', 0, 0)}{at('Center', side * radius, 0)}{at('End', *end)}</Curve>"
        path = landxml(tmp_path / "a.xml", curve, attributes=f'name="CL" staStart="{1087.94 * foot}"')
        road, _, doubts, _ = read(path)
        assert road.station_m[0] / foot == pytest.approx(1087.94)
        assert road.station_m[-1] / foot == pytest.approx(1406.69, abs=0.005)
        away = np.hypot(road.easting_m - ORIGIN[0] - side * radius, road.northing_m - ORIGIN[1])
        assert np.abs(away - radius).max() < 1e-6
        assert doubts == ()

    @pytest.mark.parametrize("rot", ["cw", "ccw"])
    @pytest.mark.parametrize("inwards", [True, False])
    def test_clothoid_equals_fresnel_integrals(self, tmp_path, rot, inwards):
        """A 60 m clothoid to R 150 m has the points of scipy's Fresnel integrals, in any order and turn."""
        length, radius, side = 60.0, 150.0, 1 if rot == "cw" else -1
        size = math.sqrt(math.pi * length * radius)
        along = np.linspace(0, length, 400)
        sine, cosine = scipy.special.fresnel(along / size)
        east, north = side * size * sine, size * cosine
        turned = length / 2 / radius
        corner = (0.0, north[-1] - abs(east[-1]) / math.tan(turned))
        if inwards:
            start, end, radii = (0.0, 0.0), (east[-1], north[-1]), 'radiusStart="INF" radiusEnd="150"'
        else:  # run backwards a clothoid turns the other way
            start, end, radii = (east[-1], north[-1]), (0.0, 0.0), 'radiusStart="150" radiusEnd="INF"'
            rot = "ccw" if rot == "cw" else "cw"
        spiral = (
            f'<Spiral length="60" {radii} rot="{rot}" spiType="clothoid">'
            f"{at('Start', *start)}{at('PI', *corner)}{at('End', *end)}</Spiral>"
        )
        (design,) = read_designs(landxml(tmp_path / "a.xml", spiral))
        found = design.vertices - ORIGIN
        true = np.column_stack((east, north))
        gaps = [np.hypot(*(true - point).T).min() for point in found]
        assert max(gaps) < length / 400
        tangent = np.interp(found[:, 1], north, east)
        assert np.abs(found[:, 0] - tangent).max() < 2e-4  # scipy's own points are 0.15 m apart
        assert np.hypot(*np.diff(design.vertices, axis=0).T).sum() == pytest.approx(length, abs=1e-4)

    @pytest.mark.parametrize(
        "space", ["LandXML-1.0", "LandXML-1.1", "LandXML-1.2", "LandXML-2.0", None, "own"]
    )
    def test_names_count_and_namespaces_do_not(self, tmp_path, space):
        """Versions 1.0 to 2.0, none and a maker's own namespace are read alike, here one tangent and one arc."""
        arc_end = 150 * (1 - math.cos(0.4)), 60 + 150 * math.sin(0.4)
        joints = at("Start", 0, 60) + at("Center", 150, 60) + at("End", *arc_end)
        path = landxml(tmp_path / "a.xml", line((0, 0), (0, 60)) + f'<Curve rot="cw">{joints}</Curve>')
        stated = "" if space is None else f' xmlns="http://www.landxml.org/schema/{space}"'
        stated = ' xmlns="http://example.org/road"' if space == "own" else stated
        text = path.read_text()
        path.write_text(text.replace(' xmlns="http://www.landxml.org/schema/LandXML-1.2"', stated))
        (design,) = read_designs(path)
        assert np.hypot(*np.diff(design.vertices, axis=0).T).sum() == pytest.approx(60 + 150 * 0.4, abs=1e-4)

    @pytest.mark.parametrize(("unit", "direction"), [("grads", "372.175565"), ("decimal degrees", "123.4")])
    def test_directions_come_from_the_coordinates(self, tmp_path, unit, direction):
        """Stated directions, in gon or degrees, clockwise or not, move nothing: the coordinates decide."""
        stated = f'Metric linearUnit="meter" directionUnit="{unit}"'
        plain = landxml(tmp_path / "a.xml", line((0, 0), (30, 40)))
        turned = line((0, 0), (30, 40)).replace("<Line>", f'<Line dir="{direction}" length="50">')
        other = landxml(tmp_path / "b.xml", turned, stated)
        np.testing.assert_array_equal(read_designs(plain)[0].vertices, read_designs(other)[0].vertices)
        assert np.hypot(*np.diff(read_designs(other)[0].vertices, axis=0).T).sum() == pytest.approx(50.0)

    def test_points_by_reference(self, tmp_path):
        """Start and End may name points of a list."""
        elements = '<Line><Start pntRef="p1"/><End pntRef="p2"/></Line>'
        points = '<CgPoint name="p1">4982950 500000</CgPoint><CgPoint name="p2">4983050 500000</CgPoint>'
        road, _, _, _ = read(landxml(tmp_path / "a.xml", elements, system=points))
        assert road.station_m[-1] == pytest.approx(100.0)

    def test_irregular_line(self, tmp_path):
        """A list of northings and eastings is a polyline."""
        numbers = "4982950 500000 4983000 500000 4983000 500040"
        text = f"<IrregularLine><PntList2D>{numbers}</PntList2D></IrregularLine>"
        (design,) = read_designs(landxml(tmp_path / "a.xml", text))
        assert design.vertices.tolist() == [[500000, 4982950], [500000, 4983000], [500040, 4983000]]

    @pytest.mark.parametrize(
        ("elements", "words"),
        [
            ("", "CoordGeom is empty"),
            (
                line((0, 0), (0, 50)) + line((0, 50.02), (0, 90)),
                r"element 2 \(Line\) begins 0\.020 m from the end",
            ),
            ("<Curve><Start>1 1</Start><End>2 2</End></Curve>", "Center is missing"),
            ("<Curve><Start>1 1</Start><Center>0 0</Center><End>5 5</End></Curve>", "not evenly"),
            ("<Line><Start>1 1</Start><End>nan 2</End></Line>", "End is nan: a number is expected"),
            ("<Line><Start>1 1</Start><End>1e999 2</End></Line>", "a number is expected"),
            ("<Line><Start>1</Start><End>2 2</End></Line>", "needs northing and easting"),
            ("<Chain>1 1 2 2</Chain>", "is not read here"),
            ('<Spiral spiType="bloss" length="3"/>', "a bloss spiral is not read here"),
            (
                '<Spiral length="60" radiusStart="INF" radiusEnd="150" rot="cw">'
                "<Start>0 0</Start><PI>40 0</PI><End>70 4</End></Spiral>",
                "its clothoid ends",
            ),
        ],
    )
    def test_elements_that_do_not_fit(self, tmp_path, elements, words):
        """Each fault names the alignment and its element."""
        with pytest.raises(InputError, match=words):
            read_designs(landxml(tmp_path / "a.xml", elements))


class TestUnits:
    def test_feet_of_their_frame(self, tmp_path):
        """US survey feet in a frame of US survey feet: 1000 ftUS are 304.8006 m (1200/3937)."""
        elements = "<Line><Start>1000000 2800000</Start><End>1001000 2800000</End></Line>"
        path = landxml(tmp_path / "a.xml", elements, 'Imperial linearUnit="USSurveyFoot"')
        road = read_alignment(path, None, frames("EPSG:6505", "EPSG:6505"))[0]
        assert road.easting_m[0] == pytest.approx(2.8e6 * 1200 / 3937)
        assert road.station_m[-1] == pytest.approx(1000 * 1200 / 3937)

    def test_international_feet_of_their_frame(self, tmp_path):
        """International feet in a frame of them (Arizona East, EPSG:2222): 1000 ft are 304.8 m."""
        elements = "<Line><Start>1000000 700000</Start><End>1001000 700000</End></Line>"
        path = landxml(tmp_path / "a.xml", elements, 'Imperial linearUnit="foot"')
        road = read_alignment(path, None, frames("EPSG:2222", "EPSG:2222"))[0]
        assert road.easting_m[0] == pytest.approx(700000 * 0.3048)
        assert road.station_m[-1] == pytest.approx(304.8)

    def test_the_wrong_foot(self, tmp_path):
        """International feet in a frame of US survey feet, 1.7 m off at 2.8 million feet, are refused."""
        elements = "<Line><Start>1000000 2800000</Start><End>1001000 2800000</End></Line>"
        path = landxml(tmp_path / "a.xml", elements, 'Imperial linearUnit="foot"')
        with pytest.raises(MismatchError, match="wrong foot"):
            read_alignment(path, None, frames("EPSG:6505", "EPSG:6505"))

    @pytest.mark.parametrize("unit", ["Metric", 'Metric linearUnit="furlong"'])
    def test_no_unit(self, tmp_path, unit):
        """Without a linear unit nothing is guessed."""
        with pytest.raises(InputError, match="linearUnit meter, foot or USSurveyFoot is expected"):
            read_designs(landxml(tmp_path / "a.xml", line((0, 0), (0, 50)), unit))

    def test_start_of_the_file_wins_with_a_doubt(self, tmp_path):
        """staStart is the file's station; another [stationing] start is doubted, not used."""
        path = landxml(tmp_path / "a.xml", line((0, 0), (0, 50)), attributes='name="CL" staStart="200"')
        road, _, doubts, _ = read(path, start_m=100.0)
        assert road.station_m[0] == 200.0
        assert [item.kind for item in doubts] == ["alignment_start"]
        plain = landxml(tmp_path / "b.xml", line((0, 0), (0, 50)))
        assert read(plain, start_m=100.0)[0].station_m[0] == 100.0


def equation(internal, ahead, back=None, more=""):
    stated = "" if back is None else f' staBack="{back}"'
    return f'<StaEquation staInternal="{internal}"{stated} staAhead="{ahead}"{more}/>'


class TestEquations:
    """staInternal is the station counted on from staStart along the line (LandXML 1.2, from memory)."""

    def with_equations(self, path, more, start=1000.0, length=600.0, **xml):
        attributes = f'name="CL" staStart="{start}"'
        return landxml(path, line((0, 0), (0, length)), attributes=attributes, more=more, **xml)

    @pytest.mark.parametrize(("back", "length"), [(1020, 600.0), (None, 600.0), (None, 2000.0)])
    def test_labels_only(self, tmp_path, back, length):
        """Internal 1020, back 1020, ahead 500: stations run on, the label jumps.

        staBack may be missing; on a long line the file then leaves open how staInternal counts: a doubt.
        """
        path = self.with_equations(tmp_path / "a.xml", equation(1020, 500, back), length=length)
        road, _, doubts, _ = read(path)
        assert road.station_m[[0, -1]].tolist() == pytest.approx([1000.0, 1000.0 + length])
        assert road.equations == (StationEquation(pytest.approx(1020.0), 500.0),)
        assert [item.kind for item in doubts] == ([] if length == 600 else ["station_equations"])
        labels = StationLabels("100 m", equations=road.equations)
        assert labels.text(1019.0) == "10+19.00:1"
        assert labels.text(1021.0) == "5+01.00:2"

    def test_several_in_any_order_and_falling(self, tmp_path):
        """Equations stand in their place on the line, not in the file; labels may fall after one."""
        more = equation(1300, 2000, 780) + equation(1020, 500, 1020)
        more += equation(1400, 900, 2100, ' staIncrement="decreasing"')
        road = read(self.with_equations(tmp_path / "a.xml", more))[0]
        assert [item.internal_m for item in road.equations] == pytest.approx([1020, 1300, 1400])
        assert StationLabels("100 m", equations=road.equations).text(1450.0) == "8+50.00:4"

    def test_plain_distance_from_the_start(self, tmp_path):
        """Where staBack fits only a distance counted from 0 at the start, it is read so, with a doubt."""
        road, _, doubts, _ = read(self.with_equations(tmp_path / "a.xml", equation(20, 500, 1020)))
        assert road.equations[0].internal_m == pytest.approx(1020.0)
        assert [item.kind for item in doubts] == ["station_equations"]

    def test_feet_and_another_frame(self, tmp_path):
        """In US survey feet, on a map at another scale: the place moves with the line, the label stays.

        Reference: the point at 1/4 of the line, moved by pyproj on its own.
        """
        elements = "<Line><Start>1000000 2800000</Start><End>1004000 2800000</End></Line>"
        path = landxml(
            tmp_path / "a.xml", elements, 'Imperial linearUnit="USSurveyFoot"',
            attributes='name="CL" staStart="10000"', more=equation(11000, 52000, 11000),
        )  # fmt: skip
        road = read_alignment(path, None, frames("EPSG:6344", "EPSG:6505"))[0]
        moved = pyproj.Transformer.from_crs(6505, 6344, always_xy=True)
        there = moved.transform(2.8e6, 1001000.0)
        along, _ = polyline.locate(
            tuple(np.array([[value]]) for value in there), (road.easting_m, road.northing_m),
            road.station_m, [True],
        )  # fmt: skip
        assert road.equations[0].internal_m == pytest.approx(along.item(), abs=1e-3)
        assert road.equations[0].ahead_m == 52000 * 1200 / 3937

    @pytest.mark.parametrize(
        ("more", "words"),
        [
            (equation(1020, 500, 1031), "staBack is 1031.000 m, but the line arrives there with 1020.000 m"),
            (equation(2020, 500), "lies 1020.000 m from the start, off the line"),
            (equation(1020, 500) + equation(1020, 700), "1 and 2 stand at one place"),
            ('<StaEquation staBack="1020" staAhead="500"/>', "staInternal is None: a number is expected"),
            (equation(1020, 500, more=' staIncrement="sideways"'), "increasing or decreasing fits"),
        ],
    )
    def test_contradictions_are_refused(self, tmp_path, more, words):
        """A label that jumps somewhere else than the file says is worse than none."""
        with pytest.raises(InputError, match=words):
            read(self.with_equations(tmp_path / "a.xml", more))

    def test_without_a_start(self, tmp_path):
        """Equations need the station they count from."""
        with pytest.raises(InputError, match="staStart is missing"):
            read(landxml(tmp_path / "a.xml", line((0, 0), (0, 50)), more=equation(20, 500)))

    def test_read_alone(self, tmp_path):
        """Labels need the equations before any log is read; files without any are not read for them."""
        path = self.with_equations(tmp_path / "a.xml", equation(1020, 500, 1020))
        assert station_equations(path, None, frames(MAP, MAP)) == read(path)[0].equations
        plain = landxml(tmp_path / "b.xml", line((0, 0), (0, 50)))
        assert station_equations(plain, None, frames(MAP, MAP)) == ()


def off_a_line(along, offset):
    """Straight north from the origin: station and offset are northing and easting."""
    return offset, along


def off_an_arc(along, offset, radius=150.0):
    """Arc to the right from the origin, northwards: closed form."""
    turn = along / radius
    away = radius - offset
    return radius - away * np.cos(turn), away * np.sin(turn)


def off_a_clothoid(along, offset, length=120.0, radius=150.0):
    """Clothoid to the right from straight to 150 m: Fresnel integrals (scipy), offset at right angles."""
    size = math.sqrt(math.pi * length * radius)
    sine, cosine = scipy.special.fresnel(along / size)
    bearing = along**2 / (2 * length * radius)
    return size * sine + offset * np.cos(bearing), size * cosine - offset * np.sin(bearing)


class TestRoundTrip:
    """Station and offset against closed forms, and back to the map, each under 1 mm."""

    def elements(self, shape):
        if shape is off_a_line:
            return line((0, 0), (0, 120))
        east, north = (value.item() for value in shape(np.array([120.0]), np.array([0.0])))
        if shape is off_an_arc:
            return (
                f'<Curve rot="cw">{at("Start", 0, 0)}{at("Center", 150, 0)}{at("End", east, north)}</Curve>'
            )
        corner = (0.0, north - east / math.tan(120.0 / 300.0))
        return (
            f'<Spiral spiType="clothoid" length="120" radiusStart="INF" radiusEnd="150" rot="cw">'
            f"{at('Start', 0, 0)}{at('PI', *corner)}{at('End', east, north)}</Spiral>"
        )

    @pytest.mark.parametrize("shape", [off_a_line, off_an_arc, off_a_clothoid])
    def test_places_beside_elements(self, tmp_path, shape):
        """500 places within 7 m of a straight, an arc and a clothoid of 120 m."""
        random = np.random.default_rng(11)
        along, offset = np.sort(random.uniform(0.5, 119.5, 500)), random.uniform(-7, 7, 500)
        point = [value + start for value, start in zip(shape(along, offset), ORIGIN, strict=True)]
        road = read(landxml(tmp_path / "a.xml", self.elements(shape)))[0]
        vertex_m = road.easting_m, road.northing_m
        columns = tuple(value[:, None] for value in point)
        found = polyline.locate(columns, vertex_m, road.station_m, np.ones(500, bool))
        assert np.abs(found[0][:, 0] - along).max() < 0.001
        assert np.abs(found[1][:, 0] - offset).max() < 0.001
        back = polyline.place(found[0][:, 0], found[1][:, 0], vertex_m, road.station_m)
        assert np.hypot(back[0] - point[0], back[1] - point[1]).max() < 0.001

    def test_textbook_curve_between_its_tangents(self, tmp_path):
        """PI 12+50, D 8 deg, delta 25 deg 30 min: R 716.20, T 162.06, L 318.75, PC 10+87.94, PT 14+06.69 ft.

        The design is drawn from the PI alone; stations of the joints come from the line that was read.
        """
        foot, delta = 0.3048, math.radians(25.5)
        radius = 18000 / (8 * math.pi) * foot
        tangent = radius * math.tan(delta / 2)
        assert radius / foot == pytest.approx(716.20, abs=0.005)
        assert tangent / foot == pytest.approx(162.06, abs=0.005)
        corner = (0.0, 250.0 * foot)
        start_of, end_of = (0.0, corner[1] - tangent), (
            tangent * math.sin(delta), corner[1] + tangent * math.cos(delta),
        )  # fmt: skip
        last = corner[0] + 400 * foot * math.sin(delta), corner[1] + 400 * foot * math.cos(delta)
        joints = at("Start", *start_of) + at("Center", radius, start_of[1]) + at("End", *end_of)
        curve = f'<Curve rot="cw">{joints}</Curve>'
        elements = line((0, 0), start_of) + curve + line(end_of, last)
        path = landxml(tmp_path / "a.xml", elements, attributes=f'name="CL" staStart="{1000 * foot}"')
        road = read(path)[0]
        points = np.array([start_of, end_of]) + ORIGIN
        along, offset = polyline.locate(
            (points[:, :1], points[:, 1:]), (road.easting_m, road.northing_m), road.station_m, [True, True]
        )
        labels = StationLabels("100 ft")
        assert along[:, 0] / foot == pytest.approx([1087.94, 1406.69], abs=0.005)
        assert [labels.text(value) for value in along[:, 0]] == ["10+87.9", "14+06.7"]
        assert np.diff(along[:, 0]).item() / foot == pytest.approx(318.75, abs=0.005)
        assert np.abs(offset).max() < 0.001


def test_one_of_several_designs_by_name(tmp_path):
    """Two alignments need a choice; the refusal names them, a wrong name too."""
    path = tmp_path / "a.xml"
    both = "".join(
        f'<Alignment name="{name}"><CoordGeom>{line((0, 0), (0, length))}</CoordGeom></Alignment>'
        for name, length in (("EB", 60), ("WB", 80))
    )
    path.write_text(f'<LandXML><Units><Metric linearUnit="meter"/></Units>{both}</LandXML>')
    with pytest.raises(InputError, match=r'holds 2 lines: choose one by name.* = "EB", "WB"'):
        read(path)
    assert read_alignment(path, "WB", frames(MAP, MAP))[0].station_m[-1] == pytest.approx(80.0)
    with pytest.raises(InputError, match='no line named "NB": it holds "EB", "WB"'):
        read_alignment(path, "NB", frames(MAP, MAP))


class TestHostile:
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
    @pytest.mark.parametrize(
        "head",
        [
            '<!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/hostname">]>',
            '<!DOCTYPE LandXML SYSTEM "http://127.0.0.1:9/x.dtd">',
            '<!DOCTYPE l [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>',
        ],
    )
    def test_doctype_is_refused(self, tmp_path, head, encoding):
        """No entity, no DTD, in any encoding: refused by name before anything is resolved."""
        path = landxml(tmp_path / "a.xml", line((0, 0), (0, 50)), head=head)
        text = path.read_text().replace('version="1.0"', f'version="1.0" encoding="{encoding}"', 1)
        path.write_bytes(text.encode(encoding))
        with pytest.raises(InputError, match=r"a\.xml:1: DOCTYPE is not allowed"):
            read_designs(path)

    def test_deep_nesting(self, tmp_path):
        """200,000 nested elements end at the stated depth, at once."""
        path = tmp_path / "a.xml"
        path.write_text("<a>" * 200_000)
        began = time.monotonic()
        with pytest.raises(InputError, match="nested more than 64 deep"):
            read_designs(path)
        assert time.monotonic() - began < 2

    @pytest.mark.parametrize(
        "text", ["<LandXML>", "hello", "<a/>", "<LandXML/>", '<?xml version="1.0" encoding="x-no"?><a/>']
    )
    def test_not_landxml(self, tmp_path, text):
        """Cut, foreign or empty XML is an input error."""
        path = tmp_path / "a.xml"
        path.write_text(text)
        with pytest.raises(InputError, match=r"a\.xml"):
            read(path)


@pytest.mark.skipif(
    not REAL.is_dir(), reason=f"no real logs: {REAL} is absent (THERMOSAIC_REAL_LOGS names the folder)"
)
class TestRealDesigns:
    """Two roads of a public model set (buildingSMART Finland, CC BY 4.0), read in place."""

    @pytest.mark.parametrize(("pattern", "length_m"), [("M3_*.xml", 1266.246238), ("Y10_*.xml", 37.339894)])
    def test_lengths_are_the_file_s_own(self, pattern, length_m):
        """The line ends at the length its author's program wrote, to a millimetre, in its own frame."""
        (path,) = REAL.glob(pattern)
        road, operation, doubts, _ = read_alignment(path, None, frames("EPSG:3875"))
        assert road.station_m[-1] == pytest.approx(length_m, abs=0.001)
        assert operation["source"].endswith("(EPSG:3875)")
        assert doubts == ()
        assert 21.5e6 < road.easting_m[0] < 21.6e6

    @pytest.mark.parametrize("pattern", ["M3_*.xml", "Y10_*.xml"])
    def test_places_beside_real_roads(self, pattern):
        """Beside the real lines station and distance equal shapely's, and the way back closes under 1 mm."""
        (path,) = REAL.glob(pattern)
        road = read_alignment(path, None, frames("EPSG:3875"))[0]
        vertex_m = road.easting_m, road.northing_m
        along = np.linspace(road.station_m[0] + 1, road.station_m[-1] - 1, 400)
        offset = 6 * np.sin(np.arange(400))
        point = polyline.place(along, offset, vertex_m, road.station_m)
        found = polyline.locate(
            tuple(v[:, None] for v in point), vertex_m, road.station_m, np.ones(400, bool)
        )
        back = polyline.place(found[0][:, 0], found[1][:, 0], vertex_m, road.station_m)
        assert np.hypot(back[0] - point[0], back[1] - point[1]).max() < 0.001
        reference = shapely.LineString(np.column_stack(vertex_m))
        points = shapely.points(*point)
        assert found[0][:, 0] - road.station_m[0] == pytest.approx(
            shapely.line_locate_point(reference, points), abs=1e-6
        )
        assert np.abs(found[1][:, 0]) == pytest.approx(shapely.distance(reference, points), abs=1e-6)

    @pytest.mark.parametrize("pattern", ["M3_*.xml", "Y10_*.xml"])
    def test_lengths_of_real_roads_are_geodesic(self, pattern):
        """Geodesics of GeographicLib (pyproj.Geod) between vertices, each times PROJ's scale, give the stations."""
        (path,) = REAL.glob(pattern)
        road = read_alignment(path, None, frames("EPSG:3875"))[0]
        crs = pyproj.CRS("EPSG:3875")
        back = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
        lon, lat = back.transform(road.easting_m, road.northing_m)
        geodesic_m = crs.get_geod().line_lengths(lon, lat)
        middle = [(value[1:] + value[:-1]) / 2 for value in (lon, lat)]
        scale = pyproj.Proj(crs).get_factors(*middle).meridional_scale
        found = np.cumsum(geodesic_m * scale)
        assert np.abs(road.station_m[1:] - road.station_m[0] - found).max() < 0.001
        assert abs(geodesic_m.sum() - found[-1]) > 1e-6 * found[-1]  # the grid is not the ground here
