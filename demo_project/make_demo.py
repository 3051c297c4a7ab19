"""Make the demo: two lifts of one lane of an invented county road, about 900 ft each.

`python demo_project/make_demo.py` writes lift1/ and lift2/ beside this file; the same bytes each time.
Whatever is planted here (cold load ends, stops, a streak, a float episode, an outage, a person) is what
the results should show. Beside the logs lie the side files that people write: a diary, the weather, control
points and truck tickets, all from the lot's truth and to the accuracy of whoever would write them.

The pictures beside it are of the results, drawn by `tests/files/draw_pictures.py`.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np

from thermosaic import synthetic
from thermosaic.synthetic import (
    Episode,
    Gnss,
    LotPlan,
    Mat,
    PassPlan,
    Patch,
    Person,
    Scanner,
    Stop,
    SyntheticLot,
    Wheel,
)
from thermosaic.units import FOOT_M, US_SURVEY_FOOT_M

BEND = 1 / (525 * FOOT_M)
ROAD = (
    synthetic.straight(360 * FOOT_M),
    synthetic.clothoid(60 * FOOT_M, 0.0, BEND),
    synthetic.Stretch(200 * FOOT_M, BEND, BEND),
    synthetic.clothoid(60 * FOOT_M, BEND, 0.0),
    synthetic.straight(310 * FOOT_M),
)
RIG = synthetic.Rig(78 / 12 * FOOT_M, -4 / 12 * FOOT_M, 11 * FOOT_M, 3 * FOOT_M, 9 * FOOT_M)
PLACE = {
    "route": "Larkspur Bench Road",
    "lane": "1",
    "time_zone": "America/Boise",
    "road": ROAD,
    "start_lon_deg": -111.8742,
    "start_lat_deg": 43.1873,
    "start_bearing_deg": 38.0,
    "fixes_crs": "EPSG:6318",
    "map_crs": "EPSG:6451",
    "first_station_m": 11200 * US_SURVEY_FOOT_M,
    "labels": "100 ft",
    "rig": RIG,
    "units": "us",
}


def main(folder: Path) -> None:
    """Write both lots into `folder`."""
    for name, plan, lot_file in (("lift1", lift1(), LIFT1_TOML), ("lift2", lift2(), LIFT2_TOML)):
        lot = synthetic.make_lot(plan)
        files = lot.files | side_files(lot, SITE[name]) | {"lot.toml": lot_file.encode()}
        (folder / name).mkdir(parents=True, exist_ok=True)
        for file_name, content in files.items():
            (folder / name / file_name).write_bytes(content)


def lift1() -> LotPlan:
    """Plan the lower lift: upstation, trucks straight into the hopper, cold load ends, a streak."""
    paving = PassPlan(
        offset_m=6.5 * FOOT_M,
        from_m=45 * FOOT_M,
        to_m=945 * FOOT_M,
        speeds=((0.0, _speed(28)), (330 * FOOT_M, _speed(34)), (610 * FOOT_M, _speed(25))),
        stops=(Stop(262 * FOOT_M, 96.0), Stop(548 * FOOT_M, 250.0)),
    )
    episodes = (
        Episode("outage", 330 * FOOT_M, 330 * FOOT_M + 20.0),
        Episode("float", 660 * FOOT_M, 740 * FOOT_M),
    )
    patches = (
        *_load_ends((62, 207, 352, 497, 642, 787), (19.0, 31.0, 9.0, 24.0, 18.0, 33.0)),
        Patch(705 * FOOT_M, 90 * FOOT_M, 3.5 * FOOT_M, 1.5 * FOOT_M, 17.0, "streak"),
        Patch(553 * FOOT_M, 4 * FOOT_M, -0.5 * FOOT_M, 12 * FOOT_M, 18.0, "at_stop"),
    )
    mat = Mat(base_c=148.0, drift_c_per_h=6.0, texture_c=1.0, patches=patches, people=(Person(130 * FOOT_M),))
    return LotPlan(
        lot_id="LBR-L1-20260514",
        lift=1,
        thickness="2.5 in",
        start_utc="2026-05-14T14:35:00.000",
        passes=(paving,),
        scanner=_scanner(clock_offset_s=0.6),
        wheel=Wheel(scale=1.006, wander_frac=0.001),
        gnss=_gnss(episodes),
        mat=mat,
        seed=514,
        **PLACE,
    )


def lift2() -> LotPlan:
    """Plan the upper lift: two days later, downstation, with a transfer vehicle: milder load ends."""
    paving = PassPlan(
        direction="downstation",
        offset_m=5.5 * FOOT_M,
        from_m=40 * FOOT_M,
        to_m=940 * FOOT_M,
        speeds=((0.0, _speed(26)), (420 * FOOT_M, _speed(31))),
        stops=(Stop(180 * FOOT_M, 64.0), Stop(705 * FOOT_M, 185.0)),
    )
    episodes = (
        Episode("outage", 480 * FOOT_M, 480 * FOOT_M + 20.0),
        Episode("float", 90 * FOOT_M, 150 * FOOT_M),
    )
    patches = (
        *_load_ends((80, 225, 370, 515, 660, 805), (17.0, 21.0, 9.0, 18.0, 20.0, 16.0)),
        Patch(560 * FOOT_M, 60 * FOOT_M, -3.0 * FOOT_M, 1.5 * FOOT_M, 16.0, "streak"),
    )
    mat = Mat(
        base_c=143.0, drift_c_per_h=-5.0, texture_c=0.9, patches=patches, people=(Person(610 * FOOT_M),)
    )
    return LotPlan(
        lot_id="LBR-L2-20260516",
        lift=2,
        thickness="2 in",
        start_utc="2026-05-16T15:10:00.000",
        passes=(paving,),
        scanner=_scanner(clock_offset_s=-0.4),
        wheel=Wheel(scale=1.006, wander_frac=0.001),
        gnss=_gnss(episodes),
        mat=mat,
        seed=516,
        **PLACE,
    )


class Site(NamedTuple):
    """What people of one shift would write down: reasons of the stops in order, a note, weather, loads."""

    reasons: tuple[tuple[str, str], ...]  # kind, text
    note: tuple[float, str]  # way along the pass [ft], text
    load_ends_ft: tuple[float, ...]  # way of C where each load's cold end is seen
    load_t: float
    weather: tuple[tuple[float, float, str], ...]  # degC, m/s, sky, every quarter of an hour


SITE = {
    "lift1": Site(
        (("truck", "waited for a truck"), ("breakdown", "auger sensor, cleaned")),
        (480.0, "paver crew changed"),
        (62, 207, 352, 497, 642, 787),
        24.2,
        ((11.5, 2.1, "clear"), (12.4, 2.6, "clear"), (13.1, 3.4, "few clouds"), (13.9, 3.0, "few clouds")),
    ),
    "lift2": Site(
        (("truck", "waited for a truck"), ("truck", "truck turned away, mix too cold")),
        (520.0, "inspector on site"),
        (80, 225, 370, 515, 660, 805),
        19.3,
        ((14.8, 4.0, "clouds"), (15.2, 4.4, "clouds"), (15.5, 3.9, "clouds"), (15.1, 4.8, "overcast")),
    ),
}


def side_files(lot: SyntheticLot, site: Site) -> dict[str, bytes]:
    """Write diary, weather, control points and tickets as the crew of this lot would."""
    tables = {
        "diary.csv": _diary(lot, site),
        "weather.csv": _weather(lot, site),
        "control.csv": _control(lot),
        "tickets.csv": _tickets(lot, site),
    }
    return {name: ("\n".join(lines) + "\n").encode() for name, lines in tables.items()}


def _minute(time_utc: np.datetime64, up: bool = False) -> str:
    whole = time_utc.astype("M8[m]")
    return f"{whole + np.timedelta64(int(up and whole < time_utc), 'm')}:00Z"


def _seen_at(lot: SyntheticLot, way_m: float) -> np.datetime64:
    """When C first came to a way along the pass."""
    return lot.truth.time_utc[np.searchsorted(lot.truth.reach_m, way_m)]


def _diary(lot: SyntheticLot, site: Site) -> list[str]:
    """A diary is written to the minute."""
    rows = [
        (_minute(stop.start_utc), _minute(stop.end_utc, up=True), kind, text)
        for stop, (kind, text) in zip(lot.truth.stops, site.reasons, strict=True)
    ]
    rows.append((_minute(_seen_at(lot, site.note[0] * FOOT_M)), "", "note", site.note[1]))
    return ["from_utc,to_utc,kind,text", *(",".join([*row[:3], f'"{row[3]}"']) for row in sorted(rows))]


def _weather(lot: SyntheticLot, site: Site) -> list[str]:
    first = lot.truth.time_utc[0].astype("M8[m]")
    times = (f"{first + np.timedelta64(15 * i, 'm')}:00Z" for i in range(len(site.weather)))
    rows = (f"{time},{air},{wind},{sky}" for time, (air, wind, sky) in zip(times, site.weather, strict=True))
    return ["time_utc,air_c,wind_mps,sky", *rows]


def _control(lot: SyntheticLot) -> list[str]:
    """Two rover points on the mat's edges, three hand readings."""
    truth, rows = lot.truth, []
    places = ((0.2, 2, "mat edge"), (0.75, 25, "mat edge"), (0.3, 10, ""), (0.55, 18, ""), (0.8, 14, ""))
    for number, (part, spot, text) in enumerate(places, 1):
        line = int(part * len(truth.time_utc))
        east, north = (grid[line, spot] for grid in (truth.spot_easting_m, truth.spot_northing_m))
        if text:  # the edge lies half way to the next spot outwards
            beyond = spot - 1 if spot < 14 else spot + 1
            east = (east + truth.spot_easting_m[line, beyond]) / 2
            north = (north + truth.spot_northing_m[line, beyond]) / 2
        lon, lat = lot.site.lon_lat(np.array([east]), np.array([north]))
        hand = "," if text else f"{_second(truth.time_utc[line])},{truth.temp_c[line, spot] - 0.6:.1f}"
        rows.append(
            f"{'E' if text else 'H'}{number},{lon[0]:.8f},{lat[0]:.8f},{hand},{text or 'hand reading'}"
        )
    return ["point_id,lon_deg,lat_deg,time_utc,temp_c,text", *rows]


def _second(time_utc: np.datetime64) -> str:
    return f"{time_utc.astype('M8[s]')}Z"


def _tickets(lot: SyntheticLot, site: Site) -> list[str]:
    """The end of a load reaches the screed some way after the truck has left the hopper."""
    lag_m = 12 * FOOT_M
    ways = [at * FOOT_M - lot.plan.rig.screed_forward_m - lag_m for at in site.load_ends_ft]
    rows = [
        f"{_second(_seen_at(lot, way))},{site.load_t + 0.3 * ((7 * i) % 5 - 2):.1f},LB-{4101 + i}"
        for i, way in enumerate(ways)
    ]
    return ["time_utc,mass_t,ticket_id", *rows]


def _speed(feet_a_minute: float) -> float:
    return feet_a_minute * FOOT_M / 60


def _load_ends(places_ft: tuple[float, ...], deficits_c: tuple[float, ...]) -> tuple[Patch, ...]:
    """Return cold load ends, each 7 ft long and 5 ft wide, alternately left and right of the middle."""
    return tuple(
        Patch(at * FOOT_M, 7 * FOOT_M, (-1.5 if i % 2 else 0.5) * FOOT_M, 5 * FOOT_M, deficit, "cyclic")
        for i, (at, deficit) in enumerate(zip(places_ft, deficits_c, strict=True))
    )


def _scanner(clock_offset_s: float) -> Scanner:
    """Return 28 spots half a foot apart, two beyond each edge of a mat of 12 ft."""
    edges = (-6.5 * FOOT_M, 5.5 * FOOT_M)
    return Scanner(
        -7.25 * FOOT_M, 6.25 * FOOT_M, 28, *edges, rate_hz=2.0, clock_offset_s=clock_offset_s, decimals=1
    )


def _gnss(episodes: tuple[Episode, ...]) -> Gnss:
    return Gnss(
        rate_hz=2.0, fixed_m=0.012, correlation_s=30.0, episodes=episodes, height_m=1655.0, separation_m=-14.0
    )


LIFT1_TOML = """\
# Lower lift of lane 1, Larkspur Bench Road (an invented road: every number in this folder is made up).
# Copy this file for your own lot. Every quantity carries its unit; a wrong or missing key is named on start.

[lot]
id = "LBR-L1-20260514"              # names the result: letters, digits, . _ -
route = "Larkspur Bench Road"
lane = "1"
lift = 1                            # counted from the bottom
thickness = "2.5 in"                # compacted
time_zone = "America/Boise"
course = "leveling"
laydown_target = "300 degF"
spread_rate = "275 lb/yd2"          # tickets are held against it
note = "Trucks straight into the hopper. Waited for trucks near 114+98 and 117+86."

[lot.agency]                        # free keys, kept with the results
contract = "LB-2026-03"

[files]
scan = "scan.csv"
fixes = "gnss.nmea"
alignment = "centreline.geojson"    # the wheel is a column of the scan
diary = "diary.csv"                 # what happened on site; the reasons of stops come from it
weather = "weather.csv"
control = "control.csv"             # points by rover on the mat's edge, temperatures by hand
tickets = "tickets.csv"             # truck loads: mass, and when each discharge ended

[formats]
scan = "wide-csv"
fixes = "nmea-0183"

[crs]
fixes = "EPSG:6318"                 # NAD 83(2011): the frame of the correction service, ask its operator
map = "EPSG:6451"                   # Idaho East, US survey feet
alignment = "EPSG:6318"             # the centre line's numbers are in the same frame

[rig]                               # measured from C, the point of the mat straight below the scanner
antenna_forward = "78 in ahead"
antenna_right = "4 in left"
antenna_up = "11 ft"
cross_slope = "0 %"                 # this invented road is level across; most fall by 2 % or so
screed_forward = "3 ft ahead"       # trailing edge of the screed
non_slip_forward = "9 ft ahead"     # middle of the crawlers
clock_offset = "auto"               # the logger's clock was set by hand in the morning

[scanner]
spots_right = { first = "-7.25 ft", last = "6.25 ft" }   # centres of the first and last column
mat_left = "-6.5 ft"                # edges of the mat: the mast stands half a foot right of its middle
mat_right = "5.5 ft"

[stationing]
start = "112+00"                    # station of the first vertex; vertices run upstation
labels = "100 ft"

[rules]
profile = "differential-150ft"

[grid]
map_cell = "0.1 m"
mat_cell = "1 ft"

[delivery]
units = "us"
"""

LIFT2_TOML = (
    LIFT1_TOML.replace("Lower lift", "Upper lift")
    .replace("LBR-L1-20260514", "LBR-L2-20260516")
    .replace("lift = 1  ", "lift = 2  ")
    .replace('thickness = "2.5 in"', 'thickness = "2 in"  ')
    .replace('course = "leveling"', 'course = "surface"')
    .replace('spread_rate = "275 lb/yd2"', 'spread_rate = "220 lb/yd2"')
    .replace('laydown_target = "300 degF"', 'laydown_target = "290 degF"')
    .replace(
        "Trucks straight into the hopper. Waited for trucks near 114+98 and 117+86.",
        "With a transfer vehicle. Paved downstation. Waited for trucks near 119+69 and 114+41.",
    )
)


if __name__ == "__main__":
    main(Path(__file__).parent)
