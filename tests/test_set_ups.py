"""Changes of the set-up within a lot: antenna moved, another wheel, an extension out, a width over a taper."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import builders
import flow as flows
from thermosaic import synthetic
from thermosaic.config import ChangeSection, RigSection, ScannerSection
from thermosaic.errors import ConfigError
from thermosaic.opening import load_config
from thermosaic.stages.s5_rasterise import rasterise_mat
from thermosaic.synthetic import Change, LotPlan, Mat, PassPlan, Patch, Scanner, Stop, Wheel
from thermosaic.units import FOOT_M

AT_M = 70.0
ROAD = (synthetic.straight(60.0), *synthetic.bend(90.0, 30.0, lead_m=15.0), synthetic.straight(40.0))
MAT = Mat(patches=(Patch(35.0, 3.0, 0.5, 1.2, 25.0), Patch(110.0, 3.0, -0.6, 1.2, 25.0)))
WIDE = Scanner(first_m=-3.0, last_m=3.0, count=41, rate_hz=3.0)


def make(*changes: Change, **plan: object) -> synthetic.SyntheticLot:
    """A curved lot of 170 m with a stop at the place of the change, and two cold patches."""
    passes = (PassPlan(stops=(Stop(AT_M, 60.0),), speeds=((0.0, 0.15),)),)
    given = {"road": ROAD, "passes": passes, "mat": MAT, "scanner": WIDE, "changes": changes}
    return synthetic.make_lot(LotPlan(**{**given, **plan}))


def time_of(toml: str) -> str:
    """Time of the first change of a lot file."""
    return re.search(r'\[\[change\]\]\nat = "([^"]+)"', toml)[1]


def before(toml: str) -> str:
    """The lot cut before its change, as one would state it without [[change]]."""
    time, start = time_of(toml), "2026-05-14T00:00:00Z"
    plain = re.sub(r"\[\[change\]\]\n(?:.+\n)+", "", toml)
    return plain.replace("[files]", f'[lot.limits]\nfrom = "{start}"\nto = "{time}"\n[files]')


def after(toml: str) -> str:
    """The lot cut after it, with the changed values as those of [rig] and [scanner]."""
    time, end = time_of(toml), "2026-05-15T00:00:00Z"
    plain = re.sub(r"\[\[change\]\]\n(?:.+\n)+", "", toml)
    for key, value in re.findall(r'^(\w+) = "(.*)"$', re.search(r"\[\[change\]\]\n(?:.+\n)+", toml)[0], re.M):
        plain = re.sub(rf'^{key} = ".*"$', f'{key} = "{value}"', plain, flags=re.M)
    return plain.replace("[files]", f'[lot.limits]\nfrom = "{time}"\nto = "{end}"\n[files]')


def rows(one: flows.Flow) -> np.ndarray:
    """Readings that are rows of the product."""
    return one.findings.reason >= 0


@pytest.fixture(scope="module")
def widened(tmp_path_factory) -> tuple[flows.Flow, flows.Flow, flows.Flow]:
    """A lot whose right extension comes out at a stop, and the two lots cut there."""
    lot = make(Change(AT_M, mat_right_m=2.7))
    edits: tuple[Callable[[str], str], ...] = (lambda text: text, before, after)
    return tuple(flows.flow(lot, tmp_path_factory.mktemp("cut"), edit) for edit in edits)


class TestTwoLots:
    """A lot with a change equals two lots cut there."""

    def test_the_same_spots_in_the_same_places(self, widened):
        """Every reading is a row of the whole lot or of none, at the same place with the same temperature."""
        whole, first, second = widened
        assert np.array_equal(rows(whole), rows(first) | rows(second))
        assert not (rows(first) & rows(second)).any()
        for part in (first, second):
            mine = rows(part)
            for name in ("easting_m", "northing_m", "temp_c"):
                assert np.array_equal(getattr(whole.swath, name)[mine], getattr(part.swath, name)[mine])
            assert np.array_equal(whole.stations.frame_m[mine], part.stations.frame_m[mine])

    def test_the_same_cells(self, widened):
        """Every cell of the map is filled by one of the two lots as by the whole lot, none by both."""
        maps = [map_cells(one) for one in widened]
        assert not set(maps[1]) & set(maps[2])
        assert set(maps[1]) | set(maps[2]) == set(maps[0])
        both = maps[1] | maps[2]
        assert all(maps[0][cell] == both[cell] for cell in maps[0])

    def test_the_same_verdicts_away_from_the_cut(self, widened):
        """Verdicts agree for every reading further from the cut than a zone's window looks."""
        whole, first, second = widened
        far = np.abs(whole.swath.distance_m - AT_M) > 5.0
        for part in (first, second):
            mine = rows(part) & far[:, None]
            assert (whole.findings.reason[mine] == part.findings.reason[mine]).mean() > 0.9999

    def test_the_same_zones(self, widened):
        """Both planted patches are found where the two lots have them."""
        whole, first, second = (one.findings.frames["cold_zones"] for one in widened)
        assert len(whole) == len(first) + len(second) == 2
        assert np.allclose(whole["area_m2"], [*first["area_m2"], *second["area_m2"]], rtol=1e-6)

    def test_areas_add_up(self, widened):
        """The mat's area is that of the two lots, but for the strip between their neighbouring lines."""
        area = [float(one.findings.frames["mat"]["area_m2"].sum()) for one in widened]
        assert area[0] == pytest.approx(area[1] + area[2], abs=0.06 * 4.5)
        widths = [float(part.swath.edges_m[-1] @ [-1, 1]) for part in widened[1:]]
        lengths = [AT_M, whole_length(widened[0]) - AT_M]
        assert area[0] == pytest.approx(float(np.dot(widths, lengths)), rel=2e-3)


def whole_length(one: flows.Flow) -> float:
    return float(np.ptp(one.swath.distance_m))


def map_cells(one: flows.Flow) -> dict[tuple[int, int, int], bytes]:
    """Cells of the map with their temperature, by tile and place."""
    tiles = rasterise_mat(one.swath, one.stations, one.config.grid).tiles
    return {
        (tile.row0, tile.col0, int(cell)): tile.bands[0, number].tobytes()
        for tile in tiles
        for number, cell in enumerate(tile.cell)
    }


def test_profiles_of_two_lots_have_the_classes_of_the_whole(tmp_path):
    """Whole-station profiles clear of the stop at the cut have the same readings, differential and class."""
    lot = make(Change(AT_M, mat_right_m=2.7))
    found = []
    for number, edit in enumerate((lambda text: text, before, after)):
        folder = tmp_path / str(number)
        one = flows.flow(
            lot, folder, lambda text, edit=edit, folder=folder: edit(whole_stations(text, folder))
        )
        found.append(one.findings.frames["profiles"])
    whole, first, second = found
    cut = float(first["station_to_m"].max())
    inner = whole[(whole["station_to_m"] < cut - 5) | (whole["station_from_m"] > cut + 5)]
    both = {round(row.station_from_m, 3): row for part in (first, second) for row in part.itertuples()}
    pairs = [(row, both.get(round(row.station_from_m, 3))) for row in inner.itertuples()]
    pairs = [
        (row, other)
        for row, other in pairs
        if other is not None and abs(row.length_m - other.length_m) < 1e-6
    ]
    assert len(pairs) >= 4
    for row, other in pairs:
        assert (row.profile_class, row.reading_count) == (other.profile_class, other.reading_count)
        assert row.differential_delta_c == pytest.approx(other.differential_delta_c, abs=1e-9)


def whole_stations(text: str, folder: Path) -> str:
    """Put a rule beside the lot that cuts profiles at whole stations of 20 m."""
    from thermosaic.files.catalogue import shipped

    rule = shipped("configs", "rules", "differential-50m.toml").read_text()
    rule = rule.replace('anchor = "pass_start"', 'anchor = "whole_station"')
    rule = rule.replace('length = "50 m"', 'length = "20 m"')
    rule = rule.replace('remainder_from = "25 m"', 'remainder_from = "5 m"')
    (folder / "own.toml").write_text(rule)
    return re.sub(r'profile = "[^"]+"', 'profile = "own.toml"', text)


# --------------------------------------------------------------------------------------- antenna, wheel

MOVED = Change(AT_M, antenna_forward_m=0.6, antenna_right_m=1.1, antenna_up_m=2.9)


@pytest.fixture(scope="module")
def moved(tmp_path_factory) -> flows.Flow:
    """A lot whose antenna is moved by 1.4 m back and 1.2 m to the right at a stop in the bend."""
    return flows.flow(make(MOVED), tmp_path_factory.mktemp("moved"))


def rmse(errors_m: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(errors_m**2)))


def test_a_moved_antenna_does_not_bend_the_path(moved, tmp_path):
    """Spots lie as near to the truth as in the same lot with the antenna left alone, at the change too."""
    still = flows.flow(make(), tmp_path)
    near = np.abs(moved.swath.distance_m - AT_M) < 3.0
    assert rmse(moved.errors_m()) < 1.3 * rmse(still.errors_m()) + 0.002
    assert rmse(moved.errors_m()[near]) < 0.02
    assert not [doubt for doubt in moved.trajectory.doubts if doubt.kind == "fixes_disbelieved"]


def test_unstated_the_same_move_would_bend_it(moved, tmp_path):
    """Without the change the mat beyond it lies off by the antenna's way, so the test above is one."""
    plain = flows.flow(make(MOVED), tmp_path, lambda text: re.sub(r"\[\[change\]\]\n(?:.+\n)+", "", text))
    beyond = moved.swath.distance_m > AT_M + 20
    assert rmse(plain.errors_m()[beyond]) > 1.0


@pytest.mark.parametrize(
    ("right", "off_m"), [("1.1 m right", None), ("1.25 m right", 0.15), ("1.1 m left", 2.2)]
)
def test_a_wrongly_stated_move_is_named(tmp_path, right, off_m):
    """Stated 15 cm too far or on the wrong side, a doubt tells how far the fixes lie from there; rightly, none."""
    lot = make(MOVED, clock_offset="0 s")
    edit = lambda text: text.replace('antenna_right = "1.1 m right"', f'antenna_right = "{right}"')  # noqa: E731
    doubts = flows.flow(lot, tmp_path, edit).trajectory.doubts
    named = [doubt for doubt in doubts if doubt.kind == "change_bends_path"]
    if off_m is None:
        assert not named
    else:
        assert named[0].amount == pytest.approx(off_m, rel=0.35)


def test_check_compares_the_changed_width_with_the_seen_one(tmp_path):
    """A change stated 0.4 m too wide: the first set-up fits, the second is to be looked at, by name."""
    from thermosaic.checks import check_lot

    lot = make(Change(AT_M, mat_right_m=2.3))
    builders.write_lot(tmp_path, lot)
    toml = tmp_path / "lot.toml"
    fine = [item for item in check_lot(load_config(tmp_path)).items if item.name == "mat edges"]
    assert [item.verdict for item in fine] == ["ok", "ok"]
    toml.write_text(toml.read_text().replace('mat_right = "2.3 m right"', 'mat_right = "2.7 m right"'))
    items = [item for item in check_lot(load_config(tmp_path)).items if item.name == "mat edges"]
    assert [item.verdict for item in items] == ["ok", "look"]
    assert "set-up 2 of 2" in items[1].found


def test_an_antenna_moved_equals_two_lots_of_cut_logs(moved, tmp_path):
    """Logs cut at the change, each with its own rig, place every line within 2 cm of the whole lot's place."""
    lot = make(MOVED)
    time = time_of(lot.files["lot.toml"].decode())
    for number, (edit, keep) in enumerate(((before, -1), (after, 1))):
        files = dict(lot.files)
        for name in ("scan.csv", "gnss.nmea"):
            files[name] = cut_log(files[name], name, time, keep)
        part = flows.flow(replace(lot, files=files), tmp_path / str(number), edit)
        count = len(part.swath.line)
        mine = slice(None, count) if keep < 0 else slice(-count, None)
        assert count > 500
        for name in ("easting_m", "northing_m"):
            whole, own = getattr(moved.swath, name)[mine], getattr(part.swath, name)
            assert np.nanmax(np.abs(whole - own)) < 0.02
        assert np.array_equal(moved.swath.on_mat[mine], part.swath.on_mat)


def cut_log(content: bytes, name: str, time: str, keep: int) -> bytes:
    """Leave the rows before (-1) or from (1) a time on; a CSV keeps its header."""
    lines = content.decode().splitlines(keepends=True)
    if name.endswith(".csv"):
        head, body = lines[:1], lines[1:]
        return "".join(head + [row for row in body if (row.split(",")[0] >= time) == (keep > 0)]).encode()
    clock = time[11:].replace(":", "").rstrip("Z")
    stamp = "000000.000"
    kept = []
    for row in lines:
        field = row.split(",")[1] if row[3:6] in ("GGA", "RMC", "GST", "ZDA") else ""
        stamp = field or stamp
        if (float(stamp) >= float(clock)) == (keep > 0):
            kept.append(row)
    return "".join(kept).encode()


def test_an_antenna_moved_and_moved_back_is_no_jump_of_the_receiver(tmp_path):
    """Moved for two minutes and back: the fixes between are used, and the spots stay where they are."""
    passes = (PassPlan(stops=(Stop(60.0, 40.0), Stop(75.0, 40.0)), speeds=((0.0, 0.15),)),)
    away, back = Change(60.0, antenna_right_m=1.0), Change(75.0, antenna_right_m=-0.10)
    found = flows.flow(make(away, back, passes=passes), tmp_path)
    assert rmse(found.errors_m()) < 0.02


def test_another_wheel_has_its_own_constant(tmp_path):
    """Counts of 1 mm, then of 1.25 mm: the distance is right by segment, and the scale stays near 1."""
    wheel = Wheel(as_count=True, quantum_m=0.001)
    found = flows.flow(make(Change(AT_M, wheel_quantum_m=0.00125), wheel=wheel), tmp_path)
    length = found.truth.distance_m[-1] - found.truth.distance_m[0]
    assert whole_length(found) == pytest.approx(length, rel=1e-3)
    assert found.trajectory.wheel_scale == pytest.approx(1.0, abs=2e-3)
    assert rmse(found.errors_m()) < 0.02


def set_clock(lot: synthetic.SyntheticLot, step_s: float) -> tuple[synthetic.SyntheticLot, str]:
    """The same lot whose logger's clock was set ahead by so much at the stop, and the moment, UTC."""
    moment = np.datetime64(lot.plan.start_utc, "ms") + np.timedelta64(
        round(1000 * AT_M / 0.15) + 30_000, "ms"
    )
    step = np.timedelta64(round(1000 * step_s), "ms")
    head, *body = lot.files["scan.csv"].decode().splitlines()
    shown = []
    for stamp, rest in (row.split(",", 1) for row in body):
        own = np.datetime64(stamp.rstrip("Z"), "ms")
        shown.append(f"{own + step if own >= moment else own}Z,{rest}")
    return replace(lot, files=lot.files | {"scan.csv": "\n".join([head, *shown, ""]).encode()}), f"{moment}Z"


@pytest.fixture(scope="module")
def never_set(tmp_path_factory) -> flows.Flow:
    """A lot whose clock runs on, with the right extension as it is."""
    return flows.flow(make(clock_offset="0 s"), tmp_path_factory.mktemp("never"))


@pytest.mark.parametrize("step_s", [2.0, -5.0, -3600.0], ids=["2 s ahead", "5 s back", "an hour back"])
def test_a_clock_that_was_set_leaves_no_trace(tmp_path, never_set, step_s):
    """With both offsets stated every row, position, verdict and cell is that of the clock never set, bit for bit."""
    lot, moment = set_clock(make(clock_offset="0 s"), step_s)
    stated = f'[[change]]\nat = "{moment}"\nclock_offset = "{step_s:g} s"\n'
    found = flows.flow(lot, tmp_path, lambda text: f"{text}\n{stated}")
    for name in ("line", "seen_utc", "easting_m", "northing_m", "temp_c", "on_mat"):
        ours, theirs = (np.ascontiguousarray(getattr(one.swath, name)) for one in (found, never_set))
        assert ours.tobytes() == theirs.tobytes(), name
    assert np.array_equal(found.findings.reason, never_set.findings.reason)
    assert map_cells(found) == map_cells(never_set)
    assert found.inputs.tallies[0].rejected == never_set.inputs.tallies[0].rejected
    assert rmse(found.errors_m()) < 0.02


def test_a_clock_that_was_set_equals_two_lots_cut_there(tmp_path, never_set):
    """Cut by limits where its clock went back by 5 s, its halves share rows and places with the whole, and have
    the cells of the halves of the lot whose clock was never set."""
    plain = make(clock_offset="0 s")
    lot, moment = set_clock(plain, -5.0)
    stated = f'\n[[change]]\nat = "{moment}"\nclock_offset = "-5 s"\n'
    ends = ("2026-05-14T00:00:00Z", moment, "2026-05-15T00:00:00Z")
    seen = []
    for number in (0, 1):
        limits = f'[lot.limits]\nfrom = "{ends[number]}"\nto = "{ends[number + 1]}"\n[files]'
        half, other = (
            flows.flow(
                one,
                tmp_path / f"{number}{len(more)}",
                lambda text, limits=limits, more=more: text.replace("[files]", limits) + more,
            )
            for one, more in ((lot, stated), (plain, "#"))
        )
        assert map_cells(half) == map_cells(other)
        mine = rows(half)
        for name in ("easting_m", "northing_m", "temp_c"):
            assert np.array_equal(getattr(half.swath, name)[mine], getattr(never_set.swath, name)[mine])
        seen.append(mine)
    assert not (seen[0] & seen[1]).any()
    assert np.array_equal(seen[0] | seen[1], rows(never_set))


def test_unstated_the_same_set_of_the_clock_shows(tmp_path):
    """Without the change the mat beyond lies off by the paver's way in 2 s or more, so the tests above are some."""
    lot, _ = set_clock(make(clock_offset="0 s"), 2.0)
    found = flows.flow(lot, tmp_path)
    beyond = found.swath.distance_m > AT_M + 20
    assert rmse(found.errors_m()[beyond]) > 0.1


def test_a_look_at_the_end_of_the_log_keeps_the_clock_of_its_beginning(tmp_path):
    """Logs are read onto the clock of their beginning, so a part of them after the set is not corrected twice."""
    folder = builders.write_lot(tmp_path, make(clock_offset="0.5 s"))
    toml = folder / "lot.toml"
    change = '[[change]]\nat = "2026-05-14T13:25:00Z"\nclock_offset = "2 s"\nantenna_up = "3 m"\n'
    toml.write_text(f"{toml.read_text()}\n{change}")
    config = load_config(folder)
    later = datetime(2026, 5, 14, 13, 40, tzinfo=UTC)
    rig = config.within(later, later).rig
    assert (rig.clock_offset_s, rig.antenna_up_m) == (0.5, 3.0)
    assert config.clock_sets == ((np.datetime64("2026-05-14T13:25:00.5"), np.timedelta64(1500, "ms")),)


# ------------------------------------------------------------------------------------- edges, taper, station


@pytest.mark.parametrize("direction", ["upstation", "downstation"])
@pytest.mark.parametrize("by_station", [False, True])
def test_over_a_taper_the_mat_follows_by_whole_spots(tmp_path, direction, by_station):
    """60 ft of taper: a spot is on the mat exactly where its whole pitch lies within the true edges."""
    taper_m = 60 * FOOT_M
    passes = (PassPlan(direction, speeds=((0.0, 0.15),)),)
    change = Change(AT_M, mat_left_m=-1.2, mat_right_m=2.7, taper_m=taper_m, by_station=by_station)
    found = flows.flow(make(change, passes=passes), tmp_path)
    share = np.clip((found.truth.distance_m - AT_M) / taper_m, 0, 1)[:, None]
    left, right = -1.8 + share * 0.6, 1.8 + share * 0.9
    centre = WIDE.spot_right_m
    low, high = centre - 0.075, centre + 0.075
    expected = (low >= left - 1e-3) & (high <= right + 1e-3)
    differs = (found.swath.on_mat != expected).any(axis=1)
    assert differs.mean() < 0.01  # lines at a step: path and place of the change agree to a centimetre or two
    assert (found.swath.on_mat[[0, -1]] == expected[[0, -1]]).all()
    width = expected.sum(axis=1) * 0.15
    area = float(np.sum(0.5 * (width[1:] + width[:-1]) * np.diff(found.truth.distance_m)))
    mat = found.findings.frames["mat"].iloc[0]
    assert float(mat["area_m2"]) == pytest.approx(area, rel=5e-3)
    profiles = found.findings.frames["profiles"]
    assert float(profiles["area_m2"].sum()) == pytest.approx(area, rel=5e-3)
    assert found.findings.counts["rows"] + found.findings.counts["off_mat"] == found.swath.temp_c.size


def test_cells_of_a_taper_are_filled_without_a_hole(tmp_path):
    """The map's cells cover the staircase: their area is the mat's, on ground, within 1 %."""
    change = Change(AT_M, mat_left_m=-1.2, mat_right_m=2.7, taper_m=10.0)
    found = flows.flow(make(change), tmp_path)
    cells = len(map_cells(found)) * 0.01 / found.trajectory.point_scale**2
    assert cells == pytest.approx(float(found.findings.frames["mat"]["area_m2"].sum()), rel=0.01)
    mat = rasterise_mat(found.swath, found.stations, found.config.grid).mat[0].temp_c
    held = np.isfinite(mat)
    inner = held[:, 2:-2]
    assert (np.diff(inner.astype(int), axis=0) == 1).sum(axis=0).max() <= 1  # one run across in every column


def test_the_changed_width_is_in_the_layers(widened):
    """Profiles and the edge distance of zones use the width where they lie."""
    whole = widened[0]
    profiles = whole.findings.frames["profiles"]
    first, last = profiles.iloc[0], profiles.iloc[-1]
    assert first["width_mean_m"] == pytest.approx(23 * 0.15, abs=0.01)
    assert last["width_mean_m"] == pytest.approx(29 * 0.15, abs=0.01)


# ------------------------------------------------------------------------------------------------ refusals

BAD = {
    "no_place": ("mat_right = '2 m'", "one of at"),
    "two_places": ("at = '{t}'\nat_station = '10+50.0'\nmat_right = '2 m'", "one of at"),
    "no_key": ("at = '{t}'", "states no new value"),
    "taper_without_edge": ("at = '{t}'\nantenna_up = '3 m'\ntaper = '10 m'", "taper goes with"),
    "path_by_station": ("at_station = '10+50.0'\nantenna_up = '3 m'", r"antenna_up moves the path"),
    "misspelt": ("at = '{t}'\nmat_rigth = '2 m'", 'did you mean "mat_right"'),
    "no_unit": ("at = '{t}'\nmat_right = 2.5", "a length needs its unit"),
    "nothing_new": ("at = '{t}'\nmat_right = '1.8 m right'", "changes nothing"),
    "edges_crossed": ("at = '{t}'\nmat_right = '2 m left'", "mat_left must lie left of mat_right"),
    "key_of_the_day": ("at = '{t}'\nmax_sigma = '2 m'", "unknown key"),
    "wheel_without_a_first": ("at = '{t}'\nwheel_per_count = '1 mm'", "needs .rig. wheel_per_count too"),
    "clock_auto": ("at = '{t}'\nclock_offset = '1 s'", r"clock_offset stated too"),
    "no_such_pass": ("at_station = '10+50.0'\npass = '7'\nmat_right = '2 m'", '"7" is not a pass'),
}


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_is_refused_with_line_and_key(tmp_path, name):
    """Each wrong change is a configuration error that names file, line and key."""
    stated, message = BAD[name]
    folder = builders.write_lot(tmp_path, make())
    toml = folder / "lot.toml"
    toml.write_text(f"{toml.read_text()}\n[[change]]\n{stated.format(t='2026-05-14T13:25:00Z')}\n")
    with pytest.raises(ConfigError, match=rf"lot\.toml:\d+: change.*{message}"):
        load_config(folder)


def test_changes_out_of_order_are_refused(tmp_path):
    """The second change must be later than the first."""
    folder = builders.write_lot(tmp_path, make())
    toml = folder / "lot.toml"
    two = "".join(
        f"[[change]]\nat = '2026-05-14T13:{m}:00Z'\nmat_right = '{w} m'\n" for m, w in ((30, 2), (25, 2.4))
    )
    toml.write_text(f"{toml.read_text()}\n{two}")
    with pytest.raises(ConfigError, match=r"change\[2\]\.at: not later than the change before"):
        load_config(folder)


@pytest.mark.parametrize(
    ("stated", "message"),
    [
        ("at = '2026-05-14T23:00:00Z'\nmat_right = '2 m'", "no scan line was seen then"),
        ("at_station = '90+00.0'\nmat_right = '2 m'", "no pass comes there"),
        (
            "at = '2026-05-14T13:25:00Z'\nmat_right = '2.4 m'\ntaper = '60 m'\n[[change]]\n"
            "at = '2026-05-14T13:26:00Z'\nmat_right = '2 m'",
            "taper of the change before it is not over",
        ),
        (
            "at = '2026-05-14T13:25:00Z'\nmat_left = '8 m right'\nmat_right = '9 m right'",
            "no spot lies between",
        ),
    ],
)
def test_what_only_the_logs_can_tell_is_refused_too(tmp_path, stated, message):
    """A change outside the log, at a station never reached, over a running taper, or without any spot."""
    with pytest.raises(ConfigError, match=message):
        flows.flow(make(), tmp_path, lambda text: f"{text}\n[[change]]\n{stated}\n")


def test_every_key_of_the_rig_can_change_or_says_why_not():
    """Keys of [rig] and [scanner] are keys of [[change]], but for files of evidence and a limit of the day."""
    whole_day = {"max_sigma_m", "evidence", "correction"}
    keys = set(RigSection.model_fields) | set(ScannerSection.model_fields)
    assert keys - set(ChangeSection.model_fields) <= whole_day
