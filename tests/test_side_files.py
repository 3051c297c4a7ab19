"""Diary, weather, control points and tickets: read row by row, and what becomes of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import builders
import finding
from thermosaic import model, synthetic
from thermosaic.errors import InputError
from thermosaic.files import side_files
from thermosaic.files.catalogue import load_format
from thermosaic.synthetic import BackUp, LotPlan, Mat, PassPlan, Patch, Stop
from thermosaic.units import StationLabels

SECOND = np.timedelta64(1, "s")
LABELS = StationLabels("100 m")
GERMAN = {"delimiter": ";", "decimal": ","}
LOCAL = {"time_format": "%d.%m.%Y %H:%M", "time_scale": "local", "time_zone": "Europe/Berlin"}


def _write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "side.csv"
    path.write_bytes(text.encode(encoding))
    return path


def _format(name: str, **changes: object):
    return load_format(name).model_copy(update=changes)


# ------------------------------------------------------------------------------------------ reading


def test_a_diary_by_time_and_by_station(tmp_path):
    """Times become UTC, stations metres with the smaller first; an entry without end stands for its minute."""
    path = _write(
        tmp_path,
        "from_utc,to_utc,from_station,to_station,kind,text\n"
        '2026-05-14T07:41:00-06:00,2026-05-14T13:43:00Z,,,truck,"waited, for a truck"\n'
        "2026-05-14T13:50:00Z,,,,Note,\n"
        ",,11+20.00,10+50.00,handwork,at a manhole\n",
    )
    entries, tally, doubts = side_files.read_diary(path, load_format("diary-csv"), LABELS)
    assert (tally.read, tally.used, doubts) == (3, 3, ())
    first, second, third = entries
    assert (first.from_utc, first.to_utc) == (
        np.datetime64("2026-05-14T13:41:00", "ns"),
        np.datetime64("2026-05-14T13:43:00", "ns"),
    )
    assert first.text == "waited, for a truck"
    assert second.to_utc - second.from_utc == 60 * SECOND
    assert (third.from_m, third.to_m) == (1050.0, 1120.0)


@pytest.mark.parametrize(
    ("row", "cause", "said"),
    [
        ("2026-05-14T13:2o:00Z,,,,note,", "bad_time", 'side.csv:2: column "from_utc": "2026-05-14T13:2o:00Z" is no'),
        ("2026-05-14T13:20:00,,,,note,", "no_zone", "has no zone"),
        ("2026-05-14T13:20:00Z,2026-05-14T13:10:00Z,,,note,", "reversed", 'column "to_utc"'),
        (",,112*40,,note,", "bad_station", 'column "from_station": "112*40" is no station'),
        ("2026-05-14T13:20:00Z,,,,trucks,", "unknown_kind", 'did you mean "truck"?'),
        (",,,,note,somewhere", "no_place", "when or where was it?"),
        ("2026-05-14T13:20:00Z,,,,note,one, two", "ragged_row", "put texts that hold the delimiter in quotes"),
    ],
)  # fmt: skip
def test_a_wrong_row_is_left_out_and_named(tmp_path, row, cause, said):
    """File, line, column and what was expected stand in the doubt; the balance counts the cause, the rest is used."""
    head = "from_utc,to_utc,from_station,to_station,kind,text\n"
    path = _write(tmp_path, f"{head}{row}\n" + "2026-05-14T13:30:00Z,,,,note,good\n" * 9)
    entries, tally, doubts = side_files.read_diary(path, load_format("diary-csv"), LABELS, 0.2)
    assert (tally.read, tally.used, tally.rejected) == (10, 9, {cause: 1})
    assert len(entries) == 9
    assert said in doubts[0].text


def test_too_many_wrong_rows_stop_the_run(tmp_path):
    """Above the accepted share the first row is named and the run stops."""
    path = _write(
        tmp_path, "time_utc,mass_t,ticket_id\n2026-05-14T13:20:00Z,heavy,A\n2026-05-14T13:20:00Z,20.1,B\n"
    )
    with pytest.raises(InputError, match=r'side.csv:2: column "mass_t": "heavy" is no number; 1 of 2 rows'):
        side_files.read_tickets(path, load_format("tickets-csv"), 0.2)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-8"])
def test_a_file_made_by_a_spreadsheet_works_by_its_format(tmp_path, encoding):
    """BOM, CRLF, semicolons, decimal comma, local times, km/h: CEST is two hours ahead, 18 km/h = 5 m/s."""
    text = "Zeit;Luft;Wind;Himmel\r\n14.05.2026 15:20;12,5;18,0;wolkig\r\n"
    columns = {"time_utc": "Zeit", "air_c": "Luft", "wind_mps": "Wind", "sky": "Himmel"}
    log_format = _format("weather-csv", columns=columns, speed_unit="km/h", **GERMAN, **LOCAL)
    readings, _, _ = side_files.read_weather(_write(tmp_path, text, encoding), log_format)
    assert readings == (
        model.WeatherReading(np.datetime64("2026-05-14T13:20:00", "ns"), 12.5, 5.0, "wolkig"),
    )


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("time_utc;air_c\r\n2026-05-14T13:20:00Z;12,5\r\n", 'delimiter = ";"'),
        ('time_utc,air_c\n2026-05-14T13:20:00Z,"12,5"\n', 'decimal = ","'),
        ("time_utc,air_c\n2026-05-14T13:20:00Z,265\n", "temperature_unit"),
    ],
)  # fmt: skip
def test_a_file_that_needs_a_format_says_which_key(tmp_path, text, key):
    """Semicolons, a decimal comma and degF under the shipped format are refused with the key to state."""
    with pytest.raises(InputError, match=key):
        side_files.read_weather(_write(tmp_path, text), load_format("weather-csv"), 0.2)


def test_tons_become_tonnes(tmp_path):
    """22 tons of 2000 lb of 0.45359237 kg are 19.958 t (international pound, 1959); a repeated ticket counts once."""
    text = "time_utc,mass_t,ticket_id\n2026-05-14T13:20:00Z,22,A\n2026-05-14T13:20:00Z,22,A\n"
    tickets, tally, _ = side_files.read_tickets(
        _write(tmp_path, text), _format("tickets-csv", mass_unit="ton")
    )
    assert [ticket.mass_t for ticket in tickets] == [pytest.approx(19.95806)]
    assert tally.rejected == {"repeated_ticket": 1}


# ------------------------------------------------------------------------------------------ the diary


def _entry(kind: str, start: np.datetime64, end: np.datetime64, text: str = "") -> model.DiaryEntry:
    return model.DiaryEntry(1, kind, text, start, end)


def test_a_stop_gets_its_reason_by_overlap():
    """Of two stops the one that the entry overlaps has its words; a note over it has no say."""
    lot = synthetic.make_lot(LotPlan(passes=(PassPlan(stops=(Stop(40.0, 60.0), Stop(100.0, 60.0))),)))
    stop = lot.truth.stops[1]
    diary = (
        _entry("truck", stop.start_utc - 30 * SECOND, stop.start_utc + 5 * SECOND, "late"),
        _entry("note", stop.start_utc, stop.end_utc, "sunny"),
    )
    found = finding.find(lot, inputs={"diary": diary})
    assert found.frames["stops"]["reason"].tolist() == [None, "truck: late"]
    assert found.frames["diary"]["stop_id"].tolist() == [2, None] or found.frames["diary"]["stop_id"][0] == 2


def test_an_entry_by_station_lies_between_its_stations():
    """The polygon is mat wide: 20 m x 3.6 m on a straight road."""
    lot = synthetic.make_lot(LotPlan())
    diary = (model.DiaryEntry(1, "handwork", "manhole", from_m=1050.0, to_m=1070.0),)
    frame = finding.find(lot, inputs={"diary": diary}).frames["diary"]
    assert frame["station_from_m"][0] == pytest.approx(1050.0, abs=1e-6)
    assert frame["station_to_m"][0] == pytest.approx(1070.0, abs=1e-6)
    assert frame.geometry[0].area == pytest.approx(20 * 3.6, rel=0.02)


def test_rain_while_scanning_is_a_doubt_and_another_day_too():
    """Rain over scan lines is said; a diary of another day is said to lie elsewhere."""
    lot = synthetic.make_lot(LotPlan())
    start = lot.truth.time_utc[100]
    kinds = [
        d.kind
        for d in finding.find(lot, inputs={"diary": (_entry("rain", start, start + 120 * SECOND),)}).doubts
    ]
    assert "rain_while_scanning" in kinds
    away = start + np.timedelta64(1, "D")
    kinds = [
        d.kind
        for d in finding.find(lot, inputs={"diary": (_entry("rain", away, away + 120 * SECOND),)}).doubts
    ]
    assert "diary_elsewhere" in kinds
    assert "rain_while_scanning" not in kinds


def test_no_side_file_leaves_typed_empty_layers():
    """The layers are there with their columns and no row."""
    frames = finding.find(synthetic.make_lot(LotPlan())).frames
    for name in ("diary", "control", "profiles_by_load"):
        assert len(frames[name]) == 0
        assert frames[name].columns.size > 5


# ------------------------------------------------------------------------------------------ relaid mat


def test_a_relaid_stretch_counts_its_second_look():
    """12 m backed up and laid again: the first look is `replaced`, the second kept, no reading is lost or new."""
    back = BackUp(80.0, 12.0)
    lot = synthetic.make_lot(LotPlan(passes=(PassPlan(back_ups=(back,)),)))
    plain = finding.find(lot)
    swath, stations = builders.true_swath(lot), builders.true_stations(lot)
    ends_m = np.interp(
        [68.0, 80.0], swath.distance_m[swath.first_look], stations.line_frame_m[swath.first_look]
    )
    diary = (model.DiaryEntry(1, "relaid", "", from_m=float(ends_m[0]), to_m=float(ends_m[1])),)
    found = finding.find(lot, inputs={"diary": diary})
    before, after = finding.spots(lot, plain), finding.spots(lot, found)
    assert len(before) == len(after)
    replaced = after[after["reason"] == "replaced"]
    assert len(replaced) > 100
    assert (before.loc[replaced.index, "reason"] != "second_look").all()
    won = after[(before["reason"] == "second_look") & (after["reason"] == "")]
    assert len(won) > 100
    assert won["line"].min() > replaced["line"].max()
    width_m = replaced["station_m"].max() - replaced["station_m"].min()
    screed_m = lot.plan.rig.screed_forward_m
    assert width_m == pytest.approx(12.0 - screed_m, abs=0.5)
    assert len(found.frames["profiles"]) == len(plain.frames["profiles"])


def test_a_relaid_stretch_that_was_not_seen_again_is_a_doubt():
    """Without a second look the first one counts, and that is said."""
    lot = synthetic.make_lot(LotPlan())
    diary = (model.DiaryEntry(1, "relaid", "", from_m=1050.0, to_m=1060.0),)
    found = finding.find(lot, inputs={"diary": diary})
    assert "relaid_not_seen" in [doubt.kind for doubt in found.doubts]
    assert (found.reason == finding.find(lot).reason).all()


# ------------------------------------------------------------------------------------------ control


def test_rover_points_and_hand_readings_against_truth():
    """A point on the edge misses by nothing, one 0.5 m outside by 0.5 m; a hand reading 3 degC low is a bias of +3."""
    lot = synthetic.make_lot(LotPlan(mat=Mat(texture_c=0.0)))
    swath = builders.true_swath(lot)
    line = 600
    ends = np.column_stack((swath.edge_easting_m[line], swath.edge_northing_m[line]))
    outward = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    spot = 6
    hand = {"time_utc": swath.seen_utc[line], "temp_c": float(swath.temp_c[line, spot]) - 3.0}
    points = (
        model.ControlPoint("E1", *ends[1], text="mat edge"),
        model.ControlPoint("E2", *(ends[1] + 0.5 * outward), text="edge of mat"),
        model.ControlPoint("H1", swath.easting_m[line, spot], swath.northing_m[line, spot], **hand),
        model.ControlPoint("far", ends[0][0] + 5e4, ends[0][1]),
    )
    found = finding.find(lot, inputs={"control": points})
    frame = found.frames["control"].set_index("point_id")
    assert abs(frame.loc["E1", "miss_m"]) < 0.01
    assert abs(frame.loc["E2", "miss_m"]) == pytest.approx(0.5, abs=0.01)
    assert frame.loc["E2", "edge_from_m"] == pytest.approx(-0.5, abs=0.01)
    assert frame.loc["H1", "seen_less_hand_delta_c"] == pytest.approx(3.0, abs=0.01)
    assert frame.loc["far", "pass_id"] is None
    assert found.counts["control"]["elsewhere"] == 1
    kinds = [doubt.kind for doubt in found.doubts]
    assert {"control_misses", "hand_readings_differ"} <= set(kinds)


def test_a_late_hand_reading_is_not_compared():
    """Five minutes later the mat has cooled: the reading stands beside, without a difference."""
    lot = synthetic.make_lot(LotPlan())
    swath = builders.true_swath(lot)
    late = swath.seen_utc[600] + 300 * SECOND
    point = model.ControlPoint("H", swath.easting_m[600, 6], swath.northing_m[600, 6], late, 120.0)
    row = finding.find(lot, inputs={"control": (point,)}).frames["control"].iloc[0]
    assert np.isfinite(row["seen_c"])
    assert np.isnan(row["seen_less_hand_delta_c"])


# ------------------------------------------------------------------------------------------ tickets


def _with_load_ends(load_m: float = 30.0, lag_m: float = 4.0):
    """Make a lot with a cold patch at each load end, and tickets whose screed place is `lag_m` before it."""
    patch = Patch(20.0, 2.0, 0.0, 1.5, 22.0)
    plan = LotPlan(road=(synthetic.straight(330.0),), mat=Mat(load_length_m=load_m, load_end=patch))
    lot = synthetic.make_lot(plan)
    ends = np.arange(20.0, 300.0, load_m) - lag_m - plan.rig.screed_forward_m
    reach = lot.truth.reach_m
    times = [lot.truth.time_utc[np.searchsorted(reach, end)] for end in ends if end > 0]
    return lot, tuple(model.Ticket(time, 5.4, f"T{i}") for i, time in enumerate(times))


def test_load_ends_are_named_only_where_tickets_show_them():
    """The evidence of `cyclic` zones speaks of loads with tickets, and not without them."""
    lot, tickets = _with_load_ends()
    with_tickets, without = finding.find(lot, inputs={"tickets": tickets}), finding.find(lot)
    cyclic = with_tickets.frames["cold_zones"].query("pattern == 'cyclic'")
    assert len(cyclic) >= 5
    assert cyclic["evidence"].str.contains("past the end of a truck load").all()
    assert not without.frames["cold_zones"]["evidence"].str.contains("truck").any()


def test_tickets_that_do_not_fit_name_no_load_end():
    """Tickets at random times over the same zones show nothing, and nothing is named."""
    lot, tickets = _with_load_ends()
    first, last = lot.truth.time_utc[[0, -1]]
    share = np.sort(np.random.default_rng(3).uniform(0, 1, len(tickets)))
    random = tuple(model.Ticket(first + (last - first) * part, 5.4, str(i)) for i, part in enumerate(share))
    zones = finding.find(lot, inputs={"tickets": random}).frames["cold_zones"]
    assert not zones["evidence"].str.contains("truck").any()


def test_loads_have_the_rules_statistic_and_their_mass_by_area():
    """Whole loads are 30 m long; 5.4 t on 30 m x 3.6 m is 50 kg/m2; the statistic equals one made from the rows."""
    lot, tickets = _with_load_ends()
    found = finding.find(lot, inputs={"tickets": tickets}, spread_rate_kg_m2=60.0)
    loads = found.frames["profiles_by_load"]
    whole = loads[loads["spread_kg_m2"].notna()]
    assert whole["length_m"].to_numpy() == pytest.approx(30.0, abs=0.3)
    assert whole["spread_kg_m2"].to_numpy() == pytest.approx(5400 / (30.0 * 3.6), rel=0.03)
    assert "tickets_against_rate" in [doubt.kind for doubt in found.doubts]
    rows = finding.spots(lot, found)
    load = whole.iloc[2]
    mine = rows[(rows["reason"] == "") & (rows["station_m"] >= load["station_from_m"])
                & (rows["station_m"] < load["station_to_m"])]  # fmt: skip
    zero_m = builders.true_stations(lot).zero_m[0]
    cell = [np.floor((mine["station_m"] - zero_m).round(6) / 0.3048), np.floor(mine["offset_m"] / 0.3048)]
    means = mine["temp_c"].groupby(cell).mean()
    high, low = np.percentile(means, [98.5, 1.0])  # numpy's linear method is R-7
    assert load["differential_delta_c"] == pytest.approx(high - low, abs=1e-6)


def test_a_load_length_stands_in_for_tickets():
    """Without tickets loads are stretches of the stated length from the pass's start."""
    loads = finding.find(synthetic.make_lot(LotPlan()), load_length_m=40.0).frames["profiles_by_load"]
    assert set(loads["cut_by"]) == {"load_length"}
    assert loads["length_m"].iloc[:-1].to_numpy() == pytest.approx(40.0)
    assert loads["mass_t"].isna().all()


def test_handwork_is_marked_in_the_evidence_of_the_zone_there():
    """Of two cold patches the one inside the noted stretch says so, the other does not."""
    patches = (Patch(40.0, 3.0, 0.0, 1.5, 25.0), Patch(100.0, 3.0, 0.0, 1.5, 25.0))
    lot = synthetic.make_lot(LotPlan(mat=Mat(patches=patches)))
    first = finding.find(lot).frames["cold_zones"].iloc[0]
    diary = (
        model.DiaryEntry(
            1, "handwork", "", from_m=first["station_from_m"] - 1, to_m=first["station_to_m"] + 1
        ),
    )
    zones = finding.find(lot, inputs={"diary": diary}).frames["cold_zones"]
    assert zones["evidence"].str.contains("handwork").tolist() == [True, False]
