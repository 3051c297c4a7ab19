"""Frames and coordinate operations, against published worked examples."""

import math
import pickle

import numpy as np
import pyproj
import pytest

from thermosaic import datum
from thermosaic.errors import ConfigError, MismatchError

CLARKE_1866_SNYDER = "+a=6378206.4 +es=0.00676866"  # as printed in Snyder, USGS PP 1395, appendix A
US_FOOT_M = 1200 / 3937


def dms(degrees, minutes, seconds):
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


def custom(method, name="Clarke 1866 as in Snyder"):
    """A projected CRS on its own named datum, from the printed parameters of a worked example."""
    projected = pyproj.CRS.from_user_input(f"{method} {CLARKE_1866_SNYDER} +type=crs").to_json_dict()
    projected["base_crs"]["datum"]["name"] = name
    crs = pyproj.CRS.from_json_dict(projected)
    return crs.geodetic_crs, crs


class TestWorkedExamples:
    def test_snyder_transverse_mercator(self):
        """USGS PP 1395 pp. 268-271: 40.5 N 73.5 W in UTM 18 gives x 127106.5, y 4484124.4, k 0.9997989."""
        frame, crs = custom("+proj=tmerc +lon_0=-75 +k=0.9996")
        easting_m, northing_m = datum.pin_operation(frame, crs, 0.1).forward(-73.5, 40.5)
        assert easting_m == pytest.approx(127106.5, abs=0.05)
        assert northing_m == pytest.approx(4484124.4, abs=0.05)
        assert datum.point_scale(crs, -73.5, 40.5) == pytest.approx(0.9997989, abs=5e-8)

    def test_snyder_lambert_conformal_conic(self):
        """USGS PP 1395 pp. 296-298: 35 N 75 W gives x 1894410.9, y 1564649.5, k 0.9970171."""
        frame, crs = custom("+proj=lcc +lat_1=33 +lat_2=45 +lat_0=23 +lon_0=-96")
        easting_m, northing_m = datum.pin_operation(frame, crs, 0.1).forward(-75, 35)
        assert easting_m == pytest.approx(1894410.9, abs=0.05)
        assert northing_m == pytest.approx(1564649.5, abs=0.05)
        assert datum.point_scale(crs, -75, 35) == pytest.approx(0.9970171, abs=5e-8)

    def test_ordnance_survey_grid(self):
        """EPSG Guidance Note 7-2, TM: 50.5 N 0.5 E is 577274.99 E 69740.50 N (its series: 0.02 m)."""
        operation = datum.pin_operation("EPSG:4277", "EPSG:27700", 0.1, where=(0.5, 50.5))
        easting_m, northing_m = operation.forward(0.5, 50.5)
        assert easting_m == pytest.approx(577274.99, abs=0.02)
        assert northing_m == pytest.approx(69740.50, abs=0.02)

    def test_texas_south_central_in_us_survey_feet(self):
        """EPSG Guidance Note 7-2, LCC 2SP: 28.5 N 96 W is 2963503.91, 254759.80 ftUS; ours are metres."""
        operation = datum.pin_operation("EPSG:4267", "EPSG:32040", 0.1, where=(-96.0, 28.5))
        easting_m, northing_m = operation.forward(-96.0, 28.5)
        assert easting_m / US_FOOT_M == pytest.approx(2963503.91, abs=0.006)
        assert northing_m / US_FOOT_M == pytest.approx(254759.80, abs=0.006)
        assert operation.unit_m == pytest.approx(US_FOOT_M, rel=1e-12)

    def test_foot_trap(self):
        """Reading those US survey feet as international feet would move the easting 1.81 m (closed form)."""
        wrong_by_m = 2963503.91 * (datum.unit_factor("EPSG:32040") - 0.3048)
        assert wrong_by_m == pytest.approx(1.81, abs=0.005)

    def test_vincenty_line(self):
        """Flinders Peak to Buninyong (Geoscience Australia): 54972.271 m, by grid and line factor."""
        lons = (dms(144, 25, 29.52440), dms(143, 55, 35.38390))
        lats = (dms(-37, 57, 3.72030), dms(-37, 39, 10.15610))
        operation = datum.pin_operation("EPSG:7844", "EPSG:7855", 0.1, where=(lons[0], lats[0]))
        east, north = operation.forward(lons, lats)
        middle = operation.inverse(east.mean(), north.mean())
        scales = [datum.point_scale("EPSG:7855", *point) for point in zip(lons, lats, strict=True)]
        factor = (scales[0] + 4 * datum.point_scale("EPSG:7855", *middle) + scales[1]) / 6
        assert math.hypot(*np.diff(east), *np.diff(north)) / factor == pytest.approx(54972.271, abs=0.002)

    def test_sign_of_convergence(self):
        """Grid bearing = true bearing - convergence: Snyder's point; a GeographicLib azimuth in the south."""
        assert datum.convergence_deg("EPSG:32618", -73.5, 40.5) == pytest.approx(0.97430, abs=2e-5)
        lon, lat, azimuth = dms(144, 25, 29.5244), dms(-37, 57, 3.7203), dms(306, 52, 5.37)
        lon_2, lat_2, _ = pyproj.Geod(ellps="GRS80").fwd(lon, lat, azimuth, 10.0)
        east, north = datum.pin_operation("EPSG:7844", "EPSG:7855", 0.1).forward([lon, lon_2], [lat, lat_2])
        bearing = math.degrees(math.atan2(*np.diff(east), *np.diff(north))) % 360
        expected = azimuth - datum.convergence_deg("EPSG:7855", lon, lat)
        assert bearing == pytest.approx(expected, abs=1e-4)


# NAD 83(2011) minus ITRF2014, east and north in metres, from EPSG:8970 by its printed parameters; independent
# of the choice of an operation, since the parameters and their rates are applied by hand below.
HELMERT = {
    "t_m": (1.0053, -1.90921, -0.54157), "t_rate": (0.00079, -0.0006, -0.00144),
    "r_mas": (26.78138, -0.42027, 10.93206), "r_rate": (0.06667, -0.75744, -0.05133),
    "s_ppb": 0.36891, "s_rate": -0.07201,
}  # fmt: skip
PLACES = {
    "Austin TX": (-97.74, 30.27, "EPSG:6343", {2010.0: (0.912, -0.531), 2026.0: (1.131, -0.472)}),
    "Olympia WA": (-122.90, 47.04, "EPSG:6339", {2010.0: (1.331, -0.441), 2026.0: (1.580, -0.227)}),
    "Jefferson City MO": (-92.17, 38.58, "EPSG:6344", {2010.0: (0.801, -0.762), 2026.0: (1.065, -0.739)}),
    "Augusta ME": (-69.78, 44.31, "EPSG:6348", {2010.0: (0.249, -1.110), 2026.0: (0.528, -1.235)}),
}


def helmert_shift(lon, lat, epoch):
    """East and north shift in metres by EPSG:8970 as printed (coordinate frame rotation), without PROJ."""
    a, e2 = 6378137.0, 0.00669438002290
    phi, lam = math.radians(lat), math.radians(lon)
    n = a / math.sqrt(1 - e2 * math.sin(phi) ** 2)
    x = np.array(
        [n * math.cos(phi) * math.cos(lam), n * math.cos(phi) * math.sin(lam), n * (1 - e2) * math.sin(phi)]
    )
    years, mas = epoch - 2010.0, math.radians(1 / 3.6e6)
    t = np.array(HELMERT["t_m"]) + years * np.array(HELMERT["t_rate"])
    r = (np.array(HELMERT["r_mas"]) + years * np.array(HELMERT["r_rate"])) * mas
    scale = (HELMERT["s_ppb"] + years * HELMERT["s_rate"]) * 1e-9
    shift = t + scale * x - np.cross(r, x)
    east = np.array([-math.sin(lam), math.cos(lam), 0.0])
    north = np.array([-math.sin(phi) * math.cos(lam), -math.sin(phi) * math.sin(lam), math.cos(phi)])
    return shift @ east, shift @ north


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("epoch", [2010.0, 2026.0])
def test_itrf2014_to_nad83_2011(place, epoch):
    """The time-dependent shift equals EPSG:8970 applied by hand, and the table for four towns."""
    lon, lat, crs, table = PLACES[place]
    shifted = datum.pin_operation("EPSG:9000", crs, 0.1, epoch=epoch, where=(lon, lat)).forward(lon, lat)
    plain = datum.pin_operation("EPSG:6318", crs, 0.1, where=(lon, lat)).forward(lon, lat)
    grid_e, grid_n = (float(b - a) for a, b in zip(plain, shifted, strict=True))
    turn, scale = math.radians(datum.convergence_deg(crs, lon, lat)), datum.point_scale(crs, lon, lat)
    east = (grid_e * math.cos(turn) + grid_n * math.sin(turn)) / scale
    north = (grid_n * math.cos(turn) - grid_e * math.sin(turn)) / scale
    assert (east, north) == pytest.approx(helmert_shift(lon, lat, epoch), abs=0.001)
    assert (east, north) == pytest.approx(
        table[epoch], abs=0.004
    )  # the table's places are towns, to 0.01 deg


class TestRefusals:
    @pytest.mark.parametrize(
        "frame", ["EPSG:4326", "EPSG:4979", "OGC:CRS84", "+proj=longlat +datum=WGS84 +type=crs"]
    )
    def test_plain_wgs_84_is_not_a_frame(self, frame):
        """Plain WGS 84 in any spelling must be stated better, whatever accuracy is allowed."""
        with pytest.raises(ConfigError, match="family of frames known to about 2 m"):
            datum.pin_operation(frame, "EPSG:6448", 5.0, where=(-114.0, 44.0))

    @pytest.mark.parametrize("version", ["WKT1_GDAL", "WKT1_ESRI", "WKT2_2019"])
    def test_wgs_84_written_out_is_found(self, version):
        """WKT without the ensemble (as .prj files carry it) does not smuggle plain WGS 84 in."""
        with pytest.raises(ConfigError, match="family of frames"):
            datum.pin_operation(pyproj.CRS("EPSG:4326").to_wkt(version), "EPSG:6448", 0.1)

    def test_map_on_plain_wgs_84_is_refused_too(self):
        """A UTM zone on plain WGS 84 has the same doubt."""
        with pytest.raises(ConfigError, match="WGS 84 / UTM zone 55S"):
            datum.pin_operation("EPSG:9000", "EPSG:32755", 0.1, epoch=2026.0)

    def test_accepted_ensemble_is_the_projection_alone_with_a_caution(self):
        """accept_ensemble takes plain WGS 84 as equal: the map position of the target's own frame."""
        taken = datum.pin_operation("EPSG:4326", "EPSG:6344", 0.1, accept_ensemble=True, where=(-93.0, 45.0))
        own = datum.pin_operation("EPSG:6318", "EPSG:6344", 0.1)
        assert taken.forward(-93.0, 45.0) == pytest.approx(own.forward(-93.0, 45.0), abs=1e-9)
        assert taken.accuracy_m == 2.0
        assert "taken as equal" in taken.caution
        assert own.caution == ""

    def test_true_frame_on_an_accepted_ensemble_map_is_not_shifted(self):
        """ITRF2014 on a plain WGS 84 map, accepted: projection only, never the 1.4 m by way of NAD 83."""
        taken = datum.pin_operation(
            "EPSG:9000", "EPSG:32612", 0.1, 2026.0, accept_ensemble=True, where=(-111.0, 45.0)
        )
        assert taken.forward(-111.0, 45.0)[0] == pytest.approx(500000.0, abs=1e-6)

    def test_accepted_projected_ensemble_goes_through_its_own_grid(self):
        """UTM eastings on plain WGS 84 become the same degrees in the other grid."""
        utm = datum.pin_operation("EPSG:9755", "EPSG:32755", 0.1, accept_ensemble=True)
        taken = datum.pin_operation("EPSG:32755", "EPSG:7856", 0.1, accept_ensemble=True)
        own = datum.pin_operation("EPSG:7844", "EPSG:7856", 0.1)
        assert taken.forward(*utm.forward(149.9, -35.0)) == pytest.approx(own.forward(149.9, -35.0), abs=1e-3)

    def test_an_ensemble_known_to_a_decimetre_is_a_frame(self):
        """ETRS89 (EPSG states 0.1 m for its members) is taken at 0.1 m and refused below."""
        assert datum.pin_operation("EPSG:4258", "EPSG:25832", 0.1, where=(10.0, 50.0)).accuracy_m == 0.1
        with pytest.raises(ConfigError, match=r"known to about 0\.1 m"):
            datum.pin_operation("EPSG:4258", "EPSG:25832", 0.05, where=(10.0, 50.0))

    def test_ballpark_is_refused_and_names_the_missing_grid(self):
        """NAD27 to NAD 83 without grids moves 12 m silently in PROJ; here it stops and names a grid file."""
        with pytest.raises(ConfigError, match=r"ballpark.*needs? the grid .*\.tif"):
            datum.pin_operation("EPSG:4267", "EPSG:26917", 20.0, where=(-83.0, 40.0))

    def test_known_but_poor_operation_is_refused(self):
        """NAD 83(1986) to NAD 83(2011) has no grid-free operation good to 0.1 m."""
        with pytest.raises(ConfigError, match=r"known to 0\.1 m"):
            datum.pin_operation("EPSG:4269", "EPSG:6344", 0.1, where=(-93.0, 45.0))

    def test_time_dependent_operation_needs_an_epoch(self):
        """Without an epoch PROJ would silently use another one, 0.3 m away in sixteen years."""
        with pytest.raises(ConfigError, match="epoch"):
            datum.pin_operation("EPSG:7912", "EPSG:6344", 0.1, where=(-93.0, 45.0))

    @pytest.mark.parametrize(
        ("source", "target", "words"),
        [
            ("EPSG:6318", "EPSG:6318", "projected CRS"),
            ("EPSG:4978", "EPSG:6344", "geographic or projected"),
            ("EPSG:5703", "EPSG:6344", "geographic or projected"),
            ("EPSG:6318", "EPSG:2046", "south and west"),
            ("+proj=longlat +ellps=GRS80 +type=crs", "EPSG:6344", "names no datum"),
            ("EPSG:999999", "EPSG:6344", "not a coordinate reference system"),
            ("", "EPSG:6344", "not a coordinate reference system"),
            ("EPSG:6318", "Idaho East", "EPSG:6451 is NAD83"),  # the EPSG Dataset's own name of 6451
        ],
    )
    def test_unusable_frames(self, source, target, words):
        """A frame that cannot carry positions is named with what is expected."""
        with pytest.raises(ConfigError, match=words):
            datum.pin_operation(source, target, 0.1)

    @pytest.mark.parametrize(
        ("target", "where"),
        [
            ("EPSG:6448", (-93.0, 45.0)),  # Idaho Central, lot in Minnesota
            ("EPSG:7855", (147.0, 37.0)),  # hemisphere flipped
            ("EPSG:6344", (0.0, 0.0)),  # null island
            ("EPSG:2193", (-178.0, -37.0)),  # beyond the antimeridian
            ("EPSG:6344", (math.nan, 45.0)),
        ],
    )
    def test_point_outside_the_map(self, target, where):
        """A place the map CRS does not serve stops the run with both named."""
        with pytest.raises(MismatchError, match="outside"):
            datum.check_area(datum.map_crs(target), *where)

    @pytest.mark.parametrize(
        ("target", "where", "named"),
        [
            ("EPSG:6447", (-111.87, 43.19), r"EPSG:6450 \(NAD83\(2011\) / Idaho East\)"),
            ("EPSG:28355", (115.9, -31.9), r"EPSG:28350 \(GDA94 / MGA zone 50\)"),
            ("EPSG:25832", (-3.7, 40.4), r"EPSG:25830 \(ETRS89 / UTM zone 30N\)"),
        ],
    )
    def test_the_map_of_the_place_is_named(self, target, where, named):
        """A place outside: the registry's own zone of the same frame there is named (EPSG areas of use, by PROJ)."""
        with pytest.raises(MismatchError, match=named):
            datum.check_area(datum.map_crs(target), *where)

    def test_map_made_for_pictures(self):
        """Web Mercator serves the world and stretches lengths 1.4 times at 45 N (1/cos latitude): refused."""
        with pytest.raises(MismatchError, match=r"1\.41"):
            datum.check_area(datum.map_crs("EPSG:3857"), -93.0, 45.0)

    def test_wkt_without_area_still_knows_its_place(self):
        """WKT1 carries no area of use: distortion tells that a lot is far outside."""
        with pytest.raises(MismatchError, match="stretches"):
            datum.check_area(datum.map_crs(pyproj.CRS("EPSG:6448").to_wkt("WKT1_ESRI")), -93.0, 45.0)


class TestEdges:
    def test_zone_edge_is_served(self):
        """Paving 20 km over the edge of a UTM zone is not a mistake."""
        datum.check_area(datum.map_crs("EPSG:6344"), -89.8, 45.0)

    @pytest.mark.parametrize("lon", [179.95, -179.95])
    def test_antimeridian(self, lon):
        """UTM zone 1 at 180 deg serves both sides of the line, continuously."""
        east_m, _ = datum.pin_operation("EPSG:6318", "EPSG:6330", 0.1, where=(lon, 52.0)).forward(
            [lon, 180.0], 52.0
        )
        assert abs(east_m[0] - east_m[1]) == pytest.approx(
            0.05 * 111319.5 * math.cos(math.radians(52)), rel=0.01
        )

    def test_northing_first_axes(self):
        """EPSG:2193 lists northing first; results are easting, northing (NZTM's false easting is 1600 km)."""
        east_m, north_m = datum.pin_operation("EPSG:4167", "EPSG:2193", 0.1, where=(173.0, -41.0)).forward(
            173.0, -41.0
        )
        assert east_m == pytest.approx(1600000.0, abs=1e-6)
        assert 5.4e6 < north_m < 5.6e6

    def test_esri_wkt_finds_the_same_operation(self):
        """A map CRS pasted from a .prj file gives the same metres as its code."""
        wkt = pyproj.CRS("EPSG:6505").to_wkt("WKT1_ESRI")
        pasted = datum.pin_operation("EPSG:9000", wkt, 0.1, 2026.4, where=(-93.0, 44.5)).forward(-93.0, 44.5)
        coded = datum.pin_operation("EPSG:9000", "EPSG:6505", 0.1, 2026.4, where=(-93.0, 44.5)).forward(
            -93.0, 44.5
        )
        assert pasted == pytest.approx(coded, abs=1e-6)

    def test_heights_never_move_a_position(self):
        """2-D and 3-D forms of one frame give the same map position."""
        flat = datum.pin_operation("EPSG:9000", "EPSG:6344", 0.1, 2026.4).forward(-93.0, 45.0)
        solid = datum.pin_operation("EPSG:7912", "EPSG:6344", 0.1, 2026.4).forward(-93.0, 45.0)
        assert flat == pytest.approx(solid, abs=1e-6)

    def test_there_and_back(self):
        """Inverse undoes forward in feet, in time-dependent and in projected operations; NaN stays NaN."""
        for source, target, first, second in [
            ("EPSG:9000", "EPSG:6505", -93.0, 44.5),
            ("EPSG:6344", "EPSG:6505", 500000.0, 4930000.0),
        ]:
            operation = datum.pin_operation(source, target, 0.1, 2026.4)
            back = operation.inverse(*operation.forward([first, np.nan], [second, second]))
            assert back[0][0] == pytest.approx(first, abs=1e-6)
            assert back[1][0] == pytest.approx(second, abs=1e-6)
            assert np.isnan(back[0][1])

    def test_the_pipeline_repeats_the_operation(self):
        """What the manifest keeps is enough: PROJ run on the pipeline gives the same map position."""
        operation = datum.pin_operation("EPSG:9000", "EPSG:6505", 0.1, 2026.4, where=(-93.0, 44.5))
        record = operation.as_dict()
        repeat = pyproj.Transformer.from_pipeline(record["pipeline"])
        again = repeat.transform(-93.0, 44.5, 0.0, record["epoch"])
        assert np.multiply(again[:2], US_FOOT_M) == pytest.approx(operation.forward(-93.0, 44.5), abs=1e-9)

    def test_lost_position_is_named(self):
        """A finite position without an image in the map is an error with its number, never inf."""
        operation = datum.pin_operation("EPSG:6318", "EPSG:6505", 0.1)
        with pytest.raises(MismatchError, match="position 2 of 2"):
            operation.forward([-93.0, -93.0], [44.5, 91.0])

    def test_operation_survives_pickling(self):
        """A season sends nouns between processes."""
        operation = datum.pin_operation("EPSG:9000", "EPSG:6505", 0.1, 2026.4)
        again = pickle.loads(pickle.dumps(operation))
        assert again == operation
        assert again.forward(-93.0, 44.5) == operation.forward(-93.0, 44.5)

    def test_foot_of_the_map(self):
        """The labels' foot is the map's own (EPSG:6505 ftUS, EPSG:2992 ft), else international."""
        assert datum.map_foot_m("EPSG:6505") == pytest.approx(US_FOOT_M, rel=1e-14)
        assert datum.map_foot_m("EPSG:2992") == 0.3048
        assert datum.map_foot_m("EPSG:6344") == 0.3048
