"""What changed between two results of one lot: one thing is changed at a time, and that and nothing else is named."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import pytest
import shapely

import builders
from command_line import thermosaic
from thermosaic import synthetic
from thermosaic.differing import diff_results, tell_differences
from thermosaic.errors import MismatchError
from thermosaic.files.catalogue import shipped
from thermosaic.files.manifest import sha256_of
from thermosaic.files.side_by_side import Lines, side_by_side
from thermosaic.opening import load_config
from thermosaic.run import run_lot
from thermosaic.studies.diff_results import Differences, Part, ReadingTally, Side
from thermosaic.studies.diff_results import found as layers
from thermosaic.units import StationLabels

FOUR_INCHES_M = 0.1016  # 4 in of 25.4 mm exactly (international foot, NIST SP 811)
STOP_S, SPEED_MPS = 60.0, 0.12
PATCHES = (
    synthetic.Patch(25.0, 4.0, 0.3, 1.5, 20.0),  # 20 degC: moderate by the shipped rule (25 to 50 degF)
    synthetic.Patch(75.0, 3.0, -0.5, 1.2, 20.0),
)
Edit = Callable[[Path], None]


def _plan(**changes: object) -> synthetic.LotPlan:
    """Plan 110 m of straight road with a mark, no alignment, one stop and two cold patches; clocks agree."""
    passes = (synthetic.PassPlan(stops=(synthetic.Stop(55.0, STOP_S),), speeds=((0.0, SPEED_MPS),)),)
    plan = {
        "lot_id": "SYN-DIFF", "road": (synthetic.straight(110.0),), "passes": passes, "alignment": False,
        "mat": synthetic.Mat(patches=PATCHES), "clock_offset": "0 s",
    }  # fmt: skip
    return synthetic.LotPlan(**{**plan, **changes})


@pytest.fixture(scope="module")
def lot() -> synthetic.SyntheticLot:
    """Give the lot."""
    return synthetic.make_lot(_plan())


@pytest.fixture(scope="module")
def run(
    lot: synthetic.SyntheticLot, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[Edit | None], Path]:
    """Give a way to run the lot after an edit of its folder; the result is read, never written."""

    def made(edit: Edit | None = None) -> Path:
        top = tmp_path_factory.mktemp("run")
        folder = builders.write_lot(top / "lot", lot)
        rule = shipped("configs", "rules", "differential-150ft.toml")
        shutil.copy(rule, folder / "own.toml")
        _replace(folder, "lot.toml", '"differential-150ft"', '"own.toml"')
        if edit is not None:
            edit(folder)
        return run_lot(load_config(folder), top / "result", report=False).folder

    return made


@pytest.fixture(scope="module")
def base(run) -> Path:
    """Give the result that all others are held against."""
    return run()


def _replace(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text()
    assert text.count(old) == 1, (name, old, text.count(old))
    (folder / name).write_text(text.replace(old, new))


def _edit(old: str, new: str, name: str = "lot.toml") -> Edit:
    return lambda folder: _replace(folder, name, old, new)


def _parts(found: Differences) -> dict[str, Part]:
    return {part.name: part for part in found.parts}


def _changed(found: Differences) -> set[str]:
    return {part.name for part in found.parts if part.differs}


def _keys(found: Differences) -> list[str]:
    return [row["key"] for row in _parts(found)["configuration"].rows]


def _described(base: Path, new: Path) -> tuple[Differences, str]:
    found = diff_results(base, new)
    return found, tell_differences(found, new)


def _copy(base: Path, to: Path, edit: Callable[[dict], None]) -> Path:
    """Copy a result and edit its manifest."""
    shutil.copytree(base, to)
    listed = json.loads((to / "manifest.json").read_text())
    edit(listed)
    (to / "manifest.json").write_text(json.dumps(listed, indent=2, sort_keys=True) + "\n")
    return to


def test_an_antenna_four_inches_off_moves_every_spot_across(run, base) -> None:
    """An antenna stated 4 in further left puts each spot 4 in further right, along by nothing; no class, no count.

    spot = antenna - R(heading) (antenna_forward, antenna_right): closed form on a straight road.
    """
    found, text = _described(base, run(_edit('"0.1 m left"', '"0.2016 m left"')))
    assert (_changed(found), _keys(found)) == ({"configuration", "positions"}, ["rig.antenna_right"])
    numbers = _parts(found)["positions"].numbers
    rows = json.loads((base / "quality.json").read_text())["readings"]["rows"]
    assert numbers["readings"] == numbers["moved"] == rows
    assert numbers["across_mean_m"] == pytest.approx(FOUR_INCHES_M, abs=1e-4)
    assert numbers["across_p95_m"] == pytest.approx(FOUR_INCHES_M, abs=1e-3)
    assert abs(numbers["along_max_m"]) < 1e-3
    assert not found.class_changed
    assert "across travel: mean 101.6 mm right" in text
    assert max(map(len, text.splitlines())) <= 80


def test_another_limit_changes_classes_alone(run, base) -> None:
    """A limit raised over both differentials makes both profiles `none`; the cause named is the limit and no other."""
    new = run(_edit('word = "none", up_to = "25 degF"', 'word = "none", up_to = "45 degF"', "own.toml"))
    found, text = _described(base, new)
    assert _changed(found) == {"configuration", "profiles", "totals"}
    assert _keys(found) == ["rules.classes.words.1.up_to"]
    assert found.class_changed
    rows = _parts(found)["profiles"].rows
    assert [(row["class_old"], row["class_new"]) for row in rows] == [("moderate", "none")] * 2
    for row in rows:
        assert len(row["causes"]) == 1
        assert "moderate by the old ones" in row["causes"][0]
        assert row["differential_delta_c_old"] == row["differential_delta_c_new"]
    assert "none ended at 13.9 degC, ends at 25.0 degC" in " ".join(text.split())
    assert thermosaic("diff", base, new, "--fail-on", "class").returncode == 10


def test_a_mark_moves_labels_and_stations_only(run, base) -> None:
    """A mark 100 ft on moves every station by 100 ft of 0.3048 m, and nothing else but the lot's ends."""
    found, _ = _described(base, run(_edit('"10+00.00"', '"10+30.48"')))
    assert (_changed(found), _keys(found)) == ({"configuration", "stations", "totals"}, ["mark.1.station"])
    numbers = _parts(found)["stations"].numbers
    assert [numbers[f"station_{what}_m"] for what in ("min", "mean", "max")] == pytest.approx(
        [30.48] * 3, abs=1e-6
    )
    assert {row["column"] for row in _parts(found)["totals"].rows} == {"station_from_m", "station_to_m"}


def test_a_clock_moves_readings_along(run, base) -> None:
    """A scan clock stated half a second ahead of UTC puts each line where the paver was half a second before.

    Closed form at the plan's even speed; while the paver stands nothing moves, and stops keep their own time.
    """
    found, text = _described(base, run(_edit('clock_offset = "0 s"', 'clock_offset = "0.5 s"')))
    parts = _parts(found)
    assert {"configuration", "clock", "positions"} <= _changed(found)
    assert not _changed(found) & {
        "inputs",
        "readings",
        "temperatures",
        "profiles",
        "cold zones",
        "stops",
        "gaps",
    }
    assert parts["positions"].numbers["along_p95_m"] == pytest.approx(0.5 * SPEED_MPS, abs=2e-3)
    assert parts["positions"].numbers["along_mean_m"] < 0
    assert abs(parts["positions"].numbers["across_max_m"]) < 2e-3
    assert parts["doubts"].differs  # the motion contradicts the clock stated
    assert "0.500 s earlier" in " ".join(text.split())


def test_an_exclusion_leaves_readings_out_with_its_reason(run, base) -> None:
    """Ten metres excluded around a cold patch: those readings alone change, and the profile's class for them alone."""
    key = '\n[[exclude]]\nfrom = "10+20.00"\nto = "10+30.00"\nside = "full"\nreason = "bridge joint"\n'
    found, text = _described(base, run(_edit("[stationing]", key + "\n[stationing]")))
    parts = _parts(found)
    assert _changed(found) == {"configuration", "readings", "profiles", "cold zones", "totals"}
    assert {row["new"] for row in parts["readings"].rows if row["old"] != row["new"]} == {"excluded"}
    assert parts["readings"].numbers["kept_only_now"] == parts["readings"].numbers["gone"] == 0
    first, second = parts["profiles"].rows
    assert (first["class_old"], first["class_new"], second["became"]) == ("moderate", "none", "same")
    assert first["causes"] == [
        f"{parts['readings'].numbers['kept_no_longer']:,} readings left out now (excluded)"
    ]
    assert "exclude.1.from: was not stated, is 10+20.00" in text
    assert [row["in_scope_new"] for row in parts["cold zones"].rows] == [False, True]


def test_shorter_profiles_move_the_cuts(run, base) -> None:
    """Profiles of 100 ft instead of 150: one more of them, and every other number is for the cut alone."""
    found, _ = _described(base, run(_edit('length = "150 ft"', 'length = "100 ft"', "own.toml")))
    assert _changed(found) == {"configuration", "profiles", "totals"}
    rows = _parts(found)["profiles"].rows
    assert [row["became"] for row in rows].count("added") == 1
    causes = [text for row in rows for text in row["causes"]]
    assert causes
    assert all(text.startswith("the cut moved") for text in causes)


def _dead_spot(folder: Path) -> None:
    """Let column t_10 say 20.0 from the first line to the last."""
    head, *lines = (folder / "scan.csv").read_text().splitlines()
    at = head.split(",").index("t_10")
    cells = [line.split(",") for line in lines]
    lines = [",".join([*row[:at], "20.0", *row[at + 1 :]]) for row in cells]
    (folder / "scan.csv").write_text("\n".join([head, *lines, ""]))


def test_a_dead_spot_is_named_as_file_temperature_and_reason(run, base) -> None:
    """One column of 24 gone dead: that file, its temperatures and `bad_spot`; lines are matched by the scan's clock."""
    found, _ = _described(base, run(_dead_spot))
    parts = _parts(found)
    assert _changed(found) == {"inputs", "readings", "temperatures", "profiles", "totals", "doubts"}
    assert parts["inputs"].numbers["counts"] == {"same": 1, "changed": 1, "added": 0, "gone": 0, "renamed": 0}
    assert parts["temperatures"].numbers["readings"] == pytest.approx(
        parts["positions"].numbers["readings"] / 24
    )
    assert {row["new"] for row in parts["readings"].rows if row["old"] != row["new"]} == {"bad_spot"}
    assert not found.class_changed
    assert all("bad_spot" in text for row in parts["profiles"].rows for text in row["causes"])


def test_another_map_is_brought_back_by_its_operation(run, base) -> None:
    """The same lot on the state plane of Idaho West: each reading lies within a millimetre, each zone over itself."""
    found, text = _described(base, run(_edit('"EPSG:6340"', '"EPSG:6452"')))
    parts = _parts(found)
    assert _keys(found) == ["crs.map"]
    assert parts["positions"].numbers["moved"] == 0
    assert "brought onto the older map by" in " ".join(text.split())
    assert parts["cold zones"].numbers == {"old": 2, "new": 2, "same": 2, "changed": 0, "gone": 0, "added": 0}
    assert not _changed(found) & {
        "inputs",
        "stations",
        "readings",
        "temperatures",
        "cold zones",
        "stops",
        "gaps",
    }
    assert not found.class_changed


def test_a_map_without_operation_is_refused_with_a_reason(base, tmp_path) -> None:
    """On plain WGS 84, a family of frames, places are not compared and the reason is said; the rest is."""
    vague = pyproj.CRS("EPSG:32611").to_json_dict()
    found, text = _described(
        base, _copy(base, tmp_path / "new", lambda listed: listed["crs"].update(map=vague))
    )
    assert _parts(found)["positions"].numbers == {"compared": False}
    assert "family of frames" in " ".join(text.split())
    assert not _parts(found)["readings"].differs
    assert (
        "not matched" in _parts(found)["cold zones"].sentences[0] or not _parts(found)["cold zones"].differs
    )


def test_only_run_json_differs_is_the_same_bytes(base, tmp_path) -> None:
    """Another host and hour in run.json: the same bytes, in one sentence, exit 0 whatever --fail-on says."""
    new = tmp_path / "new"
    shutil.copytree(base, new)
    (new / "run.json").write_text("{}")
    found = diff_results(base, new)
    assert found.is_same
    assert found.parts == ()
    done = thermosaic("diff", base, new, "--fail-on", "any")
    assert done.returncode == 0
    assert "the same bytes" in done.stdout


def test_lines_are_matched_by_the_clock_where_the_scan_is_another(base, tmp_path) -> None:
    """Forty lines cut off the front of a log, so that all others have new numbers: their readings are gone, no more."""
    new = _copy(base, tmp_path / "new", lambda listed: listed["inputs"][0].update(sha256="0" * 64))
    table = pq.read_table(new / "spots.parquet")
    line = table["line"].to_numpy()
    left = table.filter(pa.array(line > line.min() + 39))
    left = left.set_column(0, "line", pa.array(left["line"].to_numpy() - 40))
    pq.write_table(left, new / "spots.parquet", row_group_size=7_000)  # row groups that cut through lines
    parts = _parts(diff_results(base, new))
    assert parts["readings"].numbers["gone"] == np.count_nonzero(line <= line.min() + 39) == 40 * 24
    assert parts["readings"].numbers["in_both"] == len(left)
    assert parts["readings"].numbers["added"] == parts["temperatures"].numbers["readings"] == 0
    assert not parts["positions"].differs


def test_revisions_are_compared_and_lots_are_not(base, tmp_path) -> None:
    """A second revision is the same lot; another lot is refused with exit 4, a folder that is none with 2."""
    second = _copy(base, tmp_path / "second", lambda listed: listed.update(revision=2))
    found, text = _described(base, second)
    assert found.revisions == (1, 2)
    assert "revision 1 and revision 2" in text
    other = _copy(base, tmp_path / "other", lambda listed: listed.update(lot_id="SYN-OTHER"))
    with pytest.raises(MismatchError, match="two results of one lot"):
        diff_results(base, other)
    assert thermosaic("diff", base, other).returncode == 4
    assert thermosaic("diff", base, tmp_path / "nowhere").returncode == 2


def test_exit_codes_and_json(base, tmp_path) -> None:
    """Exit 0 without --fail-on; `any` gives 10 where a byte differs, `class` only where a class does; JSON is plain."""
    new = _copy(base, tmp_path / "new", lambda listed: listed["versions"].update(thermosaic="0.0.9"))
    assert thermosaic("diff", base, new, "--fail-on", "any").returncode == 10
    done = thermosaic("diff", base, new, "--fail-on", "class", "--json")
    told = json.loads(done.stdout)
    assert done.returncode == 0
    assert (told["same_bytes"], told["class_changed"], told["files_differing"]) == (
        False,
        False,
        ["manifest.json"],
    )
    assert [name for name, part in told["parts"].items() if part["differs"]] == ["versions"]


def test_nothing_is_written(base, tmp_path) -> None:
    """Comparing leaves every byte of both as it is."""
    new = _copy(base, tmp_path / "new", lambda listed: listed.update(revision=2))
    before = {path: sha256_of(path) for folder in (base, new) for path in folder.rglob("*") if path.is_file()}
    diff_results(base, new)
    after = {path: sha256_of(path) for folder in (base, new) for path in folder.rglob("*") if path.is_file()}
    assert after == before


# --------------------------------------------------------------------------------- what single functions say


def test_gaps_are_matched_by_the_scan_clock_and_kind() -> None:
    """The same half minute without fixes by a clock set 5 s on is the same gap; another kind then is another gap.

    A gap at the log's end, whose end has no time, is itself by its length.
    """
    when = pd.to_datetime(["2026-05-14T13:00:00Z", "2026-05-14T14:00:00Z", None])
    old = pd.DataFrame({
        "kind": ["no_fix", "no_scan", "no_fix"], "start_utc": when, "end_utc": when + pd.Timedelta("30s"),
        "length_m": [3.0, 4.0, 7.0], "station_from_m": [0.0, 50.0, 90.0],
    })  # fmt: skip
    times = {name: old[name] - pd.Timedelta("5s") for name in ("start_utc", "end_utc")}
    new = old.assign(kind=["no_fix", "not_paving", "no_fix"], **times)
    delivery = {"delivery": {"units": "si", "foot_m": 0.3048}}
    sides = [Side(delivery, {"clock": {"offset_s": clock_s}}, {"gaps": frame}, StationLabels())
             for clock_s, frame in ((0.0, old), (5.0, new))]  # fmt: skip
    part = layers.by_time_part("gaps", *sides)
    assert [(row["number_old"], row["number_new"], row["became"]) for row in part.rows] == [
        (1, 1, "same"), (None, 2, "added"), (3, 3, "same"), (2, None, "gone"),
    ]  # fmt: skip


def test_a_result_that_is_not_whole_is_refused(base, tmp_path) -> None:
    """A table of readings cut off, or a manifest that lacks what it should state: exit 5, and what to do."""
    cut = _copy(base, tmp_path / "cut", lambda listed: None)
    (cut / "spots.parquet").write_bytes((base / "spots.parquet").read_bytes()[:5000])
    done = thermosaic("diff", base, cut)
    assert done.returncode == 5
    assert "spots.parquet: cannot be read" in done.stderr
    assert "thermosaic verify" in done.stderr
    poor = _copy(base, tmp_path / "poor", lambda listed: listed.pop("operations"))
    done = thermosaic("diff", base, poor)
    assert done.returncode == 5
    assert "does not state 'operations'" in done.stderr


@pytest.mark.parametrize("travel", ["upstation", "downstation"])
def test_right_is_right_of_travel(travel) -> None:
    """Whichever way the paver goes and the columns run, a shift to its right is across +, one ahead along +.

    Offsets are right positive looking upstation, so going downstation a spot to the right has the smaller one.
    """
    sign = 1.0 if travel == "upstation" else -1.0
    right = np.array([-0.3, 0.1, 0.4])  # columns of a line, in travel; the paver goes north
    old = pd.DataFrame({
        "line": np.repeat([1, 2], 3), "spot": [1, 2, 3] * 2, "pass_id": "1", "easting_m": np.tile(right, 2),
        "northing_m": np.repeat([0.0, 0.2], 3), "station_m": sign * np.repeat([0.0, 0.2], 3),
        "offset_m": sign * np.tile(right, 2), "temp_c": 140.0, "kept": True, "dropped_reason": None, "placed": "fixes",
        "position_sigma_m": 0.02,
    })  # fmt: skip
    frame = {"1": {"zero_m": 0.0, "travel": travel}}
    profiles = pd.DataFrame({"pass_id": ["1"], "station_from_m": [-1.0], "station_to_m": [1.0]})
    side = Side(
        {}, {"mat_frames": frame, "statistic": {"cell_m": 0.3}}, {"profiles": profiles}, StationLabels()
    )
    for mirrored in (old, old.iloc[::-1].sort_values("line", kind="stable").assign(spot=[1, 2, 3] * 2)):
        tally = ReadingTally(side, side, 1.0)
        tally.add(
            mirrored,
            mirrored.assign(easting_m=mirrored["easting_m"] + 0.05, northing_m=mirrored["northing_m"] + 0.02),
        )
        changes = tally.found()
        assert changes.across_m == pytest.approx([0.05] * 6)
        assert changes.along_m == pytest.approx([0.02] * 6)
        assert changes.in_sigmas == pytest.approx([np.hypot(0.05, 0.02) / 0.02] * 6)
        assert changes.profiles.common.tolist() == [[6, 0], [0, 0]]


@pytest.mark.parametrize("group", [1, 5, 1000])
def test_blocks_hold_the_same_lines_whatever_the_row_groups(group, tmp_path) -> None:
    """Every row of both files comes once, and each block holds the same lines of both."""
    random = np.random.default_rng(5)
    frames = []
    for name in ("old", "new"):
        pairs = [(line, spot) for line in range(60) for spot in range(4) if random.random() > 0.3]
        frame = pd.DataFrame(pairs, columns=["line", "spot"])
        frame["word"] = pd.Categorical(random.choice(["a", "b"], len(frame)))
        pq.write_table(
            pa.Table.from_pandas(frame), tmp_path / name, row_group_size=group if name == "old" else 7
        )
        frames.append(frame)
    blocks = list(side_by_side((tmp_path / "old", tmp_path / "new"), ("line", "spot", "word"), Lines()))
    for which, frame in enumerate(frames):
        joined = pd.concat([block[which].astype({"word": object}) for block in blocks], ignore_index=True)
        assert joined.to_numpy().tolist() == frame.to_numpy().tolist()
    ends = [max(side["line"].max() for side in block if len(side)) for block in blocks]
    starts = [min(side["line"].min() for side in block if len(side)) for block in blocks]
    assert all(end < start for end, start in zip(ends, starts[1:], strict=False))


def test_zones_are_matched_by_area_and_brought_back() -> None:
    """Zones moved by four metres with their readings match themselves; one split in two is said to be part of it."""
    shapes = np.array([shapely.box(0, 0, 2, 1), shapely.box(10, 0, 12, 1)], dtype=object)
    moved = np.array(
        [shapely.box(0, 4, 2, 5), shapely.box(10, 4, 11.5, 5), shapely.box(11.6, 4, 12, 5)], dtype=object
    )
    at = np.linspace(0.0, 12.0, 121)
    lines = pd.DataFrame({"pass_id": "1", "easting_m": at, "northing_m": 4.5, "east_m": 0.0, "north_m": 4.0})
    back = layers.brought_back(moved, np.array(["1"] * 3, dtype=object), lines)
    pairs, shared = layers._greedy(layers._shared_m2(layers.Shapes(shapes, back)))
    assert pairs == [(0, 0), (1, 1), (-1, 2)]
    assert shared[1, 2] == pytest.approx(0.4)
