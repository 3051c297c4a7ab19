"""`rig antenna` from logs to evidence: drives over marks with planted errors of the antenna's stated place.

The truth is the synthetic lot's: where its marks lie, and which line and spot came nearest to each.
"""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import builders
from thermosaic import beside, synthetic
from thermosaic.checks import check_lot
from thermosaic.cli.entry import main
from thermosaic.errors import ConfigError, InputError
from thermosaic.files.catalogue import load_evidence
from thermosaic.opening import load_config
from thermosaic.synthetic import Gnss, LotPlan, Mat, PassPlan, Patch, Scanner, Stop, SyntheticLot

MAY = (date(2026, 5, 1), date(2026, 7, 30))
FORWARD_M, RIGHT_M = 1.98, -0.10  # the synthetic rig's own
THERE = PassPlan("upstation", stops=(Stop(15.0, 20.0),), speeds=((0.0, 0.15),))
BACK = PassPlan("downstation", wait_s=400.0, stops=(Stop(12.0, 20.0),), speeds=((0.0, 0.15),))
STRAIGHT = (synthetic.straight(55.0),)
BEND = (synthetic.straight(15.0), synthetic.clothoid(8.0, 0.0, 1 / 40), synthetic.arc(40.0, 50.0))


def drive(road=STRAIGHT, passes=(THERE, BACK), **changes: object) -> SyntheticLot:
    """Make a drive over cold ground, there and back in one lane."""
    mat = Mat(base_c=25.0, shoulder_c=22.0, texture_c=0.3, cooling_s=1e9)
    return synthetic.make_lot(LotPlan(**{"road": road, "passes": passes, "mat": mat, **changes}))


def written(folder: Path, lot: SyntheticLot, forward_m: float, right_m: float) -> Path:
    """Write a drive whose lot.toml states the antenna there."""
    builders.write_lot(folder, lot)
    path = folder / "lot.toml"
    text = re.sub(r"antenna_forward = .*", f'antenna_forward = "{forward_m:.4f} m"', path.read_text())
    path.write_text(re.sub(r"antenna_right = .*", f'antenna_right = "{right_m:.4f} m"', text))
    return folder


def marks_of(lot: SyntheticLot, count: int = 3) -> list[tuple[float, float]]:
    """Places on the ground that both passes cover, at spots and lines of the first."""
    lines = np.flatnonzero(lot.truth.pass_code == 0)
    picked = lines[(np.linspace(0.35, 0.75, count) * len(lines)).astype(int)]
    spots = [6, 20, 13][:count] + [9] * max(0, count - 3)
    return [
        (float(lot.truth.spot_easting_m[line, spot]) + 0.02, float(lot.truth.spot_northing_m[line, spot]))
        for line, spot in zip(picked, spots, strict=True)
    ]


def nearest(lot: SyntheticLot, mark: tuple[float, float], code: int) -> tuple[int, int]:
    """Line (1 = first) and spot (1 = first) that came nearest to a mark in a pass."""
    away = np.hypot(lot.truth.spot_easting_m - mark[0], lot.truth.spot_northing_m - mark[1])
    away[lot.truth.pass_code != code] = np.inf
    line, spot = np.unravel_index(int(away.argmin()), away.shape)
    assert away[line, spot] < 0.15
    return int(line) + 1, int(spot) + 1


def table(folder: Path, lot: SyntheticLot, marks, codes=(0, 1)) -> Path:
    """Write the sightings of marks, by line and spot."""
    rows = ["mark,line,spot"]
    for number, mark in enumerate(marks, 1):
        rows += [f"M{number},{line},{spot}" for line, spot in (nearest(lot, mark, code) for code in codes)]
    (folder / "seen.csv").write_text("\n".join(rows) + "\n")
    return folder / "seen.csv"


def found_by(folder: Path, seen: Path, evidence: Path | None = None, drawing: Path | None = None):
    """Run the check."""
    return beside.rig_antenna(load_config(folder), seen, 0.05, MAY, evidence, drawing)


@pytest.mark.parametrize(
    ("road", "forward_m", "right_m"),
    [
        (STRAIGHT, FORWARD_M, RIGHT_M),
        (STRAIGHT, FORWARD_M, -RIGHT_M),
        (STRAIGHT, -FORWARD_M, RIGHT_M),
        (BEND, FORWARD_M + 0.4, RIGHT_M - 0.3),
    ],
    ids=["right", "left taken for right", "behind taken for ahead", "both off in a bend of 40 m"],
)
def test_planted_errors_are_found_there_and_back(tmp_path, road, forward_m, right_m):
    """Marks seen both ways by line and spot give the planted error within three sigmas and within 0.06 m."""
    lot = drive(road)
    folder = written(tmp_path, lot, forward_m, right_m)
    found = found_by(folder, table(folder, lot, marks_of(lot)))
    for part, true in ((found.forward, FORWARD_M - forward_m), (found.right, RIGHT_M - right_m)):
        assert part.is_told
        assert abs(part.error_m - true) < min(3 * part.sigma_m, 0.06)
    is_right = (forward_m, right_m) == (FORWARD_M, RIGHT_M)
    assert found.check.verdict == ("pass" if is_right else "fail")


def test_half_the_difference_of_the_two_places(tmp_path):
    """On a straight the error is half the difference of where the lot alone puts a mark both ways (closed form)."""
    from thermosaic.stages.s1_ingest import read_lot
    from thermosaic.stages.s2_trajectory import solve_trajectory
    from thermosaic.stages.s3_georeference import georeference_scan

    lot = drive()
    folder = written(tmp_path, lot, FORWARD_M + 0.3, -RIGHT_M)
    mark = marks_of(lot, 1)[0]
    config = load_config(folder)
    inputs = read_lot(config, of_mat=False)
    path = solve_trajectory(inputs, config.crs, config.rig, config.accept)
    swath = georeference_scan(inputs.scan, path, config.rig, config.scanner)
    (line, spot), (line_back, spot_back) = (nearest(lot, mark, code) for code in (0, 1))
    there = np.array([swath.easting_m[line - 1, spot - 1], swath.northing_m[line - 1, spot - 1]])
    back = np.array(
        [swath.easting_m[line_back - 1, spot_back - 1], swath.northing_m[line_back - 1, spot_back - 1]]
    )
    half = (there - back) / 2 / lot.truth.grid_scale
    turn = np.radians(swath.heading_deg[line - 1])
    forward = half @ (np.sin(turn), np.cos(turn))
    right = half @ (np.cos(turn), -np.sin(turn))
    found = found_by(folder, table(folder, lot, [mark]))
    assert (found.forward.error_m, found.right.error_m) == pytest.approx((forward, right), abs=2e-3)


def hot_marks(lot: SyntheticLot) -> list[Patch]:
    """A hot plate of 0.4 m a metre right of C in the first pass, and where the way back meets it."""
    there, lever = lot.motions[0].length_m, 2 * lot.plan.rig.non_slip_forward_m
    at = 22.0
    return [
        Patch(at, 0.4, 1.0, 0.4, -60.0, pass_=0),
        Patch(there - at + lever, 0.4, -1.0, 0.4, -60.0, pass_=1),
        Patch(at + 8, 0.3, -0.6, 0.5, -60.0, pass_=0),
        Patch(there - at - 8 + lever, 0.3, 0.6, 0.5, -60.0, pass_=1),
    ]


def test_hot_marks_are_found_in_the_scan(tmp_path):
    """A plate looked for in a stretch of each pass gives the planted error; its place is a centroid."""
    plain = drive()
    mat = Mat(base_c=25.0, shoulder_c=22.0, texture_c=0.3, cooling_s=1e9, patches=tuple(hot_marks(plain)))
    lot = synthetic.make_lot(LotPlan(road=STRAIGHT, passes=(THERE, BACK), mat=mat))
    folder = written(tmp_path, lot, FORWARD_M - 0.25, RIGHT_M + 0.2)
    rows = ["mark,from_line,to_line,look"]
    for patch in mat.patches:
        mine = np.flatnonzero(lot.truth.pass_code == patch.pass_)
        place = lot.truth.distance_m[mine] - lot.motions[patch.pass_].base_m
        near = mine[np.abs(place - patch.at_m) < 2.5]
        rows.append(f"{'A' if patch.length_m == 0.4 else 'B'},{near[0] + 1},{near[-1] + 1},hot")
    (folder / "seen.csv").write_text("\n".join(rows) + "\n")
    found = found_by(folder, folder / "seen.csv")
    assert found.forward.error_m == pytest.approx(0.25, abs=max(3 * found.forward.sigma_m, 0.02))
    assert found.right.error_m == pytest.approx(-0.2, abs=3 * found.right.sigma_m)
    assert found.right.sigma_m < 0.03


def surveyed(lot: SyntheticLot, mark: tuple[float, float], frame: str) -> tuple[object, object]:
    """A mark's place as a surveyor would give it; station and offset by the road's closed form."""
    if frame == "map":
        return mark
    if frame == "degrees":
        lon, lat = lot.site.lon_lat(*(np.array([value]) for value in mark))
        return f"{lon[0]:.9f}", f"{lat[0]:.9f}"
    east, north = lot.site.design_m(*(np.array([value]) for value in mark))
    along, offset = lot.site.road.foot(east, north, np.array([25.0]))
    station = lot.plan.first_station_m + lot.site.grid_scale * along[0]
    return f"{int(station // 100)}+{station % 100:05.2f}", f"{lot.site.grid_scale * offset[0] / 0.3048:.3f}"


def test_a_tape_across_the_lane_is_found_and_tells_forward_only(tmp_path):
    """A hot tape across the lane, looked for in a stretch of each pass: forward is found, right is said untold."""
    there, lever = drive().motions[0].length_m, 2 * 2.74
    tapes = tuple(
        Patch(at, 0.3, 0.0, 3.4, -30.0, pass_=code) for code, at in ((0, 22.0), (1, there - 22.0 + lever))
    )
    mat = Mat(base_c=25.0, shoulder_c=22.0, texture_c=0.3, cooling_s=1e9, patches=tapes)
    lot = synthetic.make_lot(LotPlan(road=STRAIGHT, passes=(THERE, BACK), mat=mat))
    folder = written(tmp_path, lot, FORWARD_M + 0.3, -RIGHT_M)
    rows = ["mark,kind,from_utc,to_utc,look"]
    for patch in tapes:
        mine = np.flatnonzero(lot.truth.pass_code == patch.pass_)
        place = lot.truth.distance_m[mine] - lot.motions[patch.pass_].base_m
        moments = np.datetime_as_string(lot.truth.time_utc[mine[np.abs(place - patch.at_m) < 2.0]], unit="ms")
        rows.append(f"tape,line,{moments[0]}Z,{moments[-1]}Z,hot")
    (folder / "seen.csv").write_text("\n".join(rows) + "\n")
    found = found_by(folder, folder / "seen.csv", drawing=tmp_path / "antenna.svg")
    assert found.forward.error_m == pytest.approx(-0.3, abs=3 * found.forward.sigma_m)
    assert found.forward.sigma_m < 0.02
    assert not found.right.is_told
    assert any(text.startswith("antenna_right: not told") for text in found.advice)
    assert "<svg" in (tmp_path / "antenna.svg").read_text()


@pytest.mark.parametrize(
    ("frame", "columns"),
    [("map", "easting_m,northing_m"), ("degrees", "lon_deg,lat_deg"), ("road", "station,offset_ft")],
)
def test_a_surveyed_mark_needs_one_pass(tmp_path, frame, columns):
    """One pass over marks given in the map, in degrees of the frame of the fixes, or by station and offset."""
    lot = drive(passes=(THERE,))
    folder = written(tmp_path, lot, FORWARD_M + 0.5, RIGHT_M)
    rows = [f"mark,line,spot,{columns},sigma_m"]
    for number, mark in enumerate(marks_of(lot), 1):
        line, spot = nearest(lot, mark, 0)
        place = surveyed(lot, mark, frame)
        rows.append(f"M{number},{line},{spot},{place[0]},{place[1]},0.01")
    (folder / "seen.csv").write_text("\n".join(rows) + "\n")
    found = found_by(folder, folder / "seen.csv")
    assert found.forward.error_m == pytest.approx(-0.5, abs=3 * found.forward.sigma_m)
    assert abs(found.right.error_m) < 3 * found.right.sigma_m


def test_one_way_over_unknown_marks_is_refused_in_words(tmp_path, capsys, monkeypatch):
    """One direction of travel over marks that nobody surveyed: exit 3, and what to add."""
    lot = drive(passes=(THERE,))
    folder = written(tmp_path, lot, FORWARD_M, RIGHT_M)
    seen = table(folder, lot, marks_of(lot), codes=(0,))
    monkeypatch.setattr(
        "sys.argv", ["thermosaic", "rig", "antenna", str(folder), str(seen), "--date", "2026-05-01"]
    )
    with pytest.raises(SystemExit) as stopped:
        main()
    assert stopped.value.code == 3
    assert "opposite direction" in capsys.readouterr().err


def test_evidence_is_what_check_compares(tmp_path, capsys, monkeypatch):
    """Evidence of both components: the lot that states them is ok, one that swaps the side is named."""
    lot = drive()
    folder = written(tmp_path, lot, FORWARD_M, RIGHT_M)
    seen = table(folder, lot, marks_of(lot))
    arguments = ["thermosaic", "rig", "antenna", str(folder), str(seen), "--date", "2026-05-01", "-o",
                 str(folder / "antenna-0501.toml"), "--plot", str(tmp_path / "antenna.png")]  # fmt: skip
    monkeypatch.setattr("sys.argv", arguments)
    main()
    assert 'evidence = ["antenna-0501.toml"]' in capsys.readouterr().out
    assert (tmp_path / "antenna.png").read_bytes()[:4] == b"\x89PNG"
    stored = load_evidence(folder / "antenna-0501.toml")
    assert (stored.subject, stored.key) == ("antenna", "rig.antenna_forward")
    assert [item.key for item in stored.further] == ["rig.antenna_right"]
    assert stored.numbers["sightings"] == 6
    for right_m, words in ((RIGHT_M, "valid to 2026-07-30"), (0.25, "the lot uses antenna_right = 0.250 m")):
        text = warm_lot(tmp_path / f"lot{right_m}", right_m, folder / "antenna-0501.toml")
        assert words in text


def warm_lot(folder: Path, right_m: float, evidence: Path) -> str:
    """Return what `check` says of the antenna's evidence in a paved lot that states antenna_right so."""
    lot = synthetic.make_lot(LotPlan(road=(synthetic.straight(40.0),)))
    written(folder, lot, FORWARD_M, right_m)
    (folder / evidence.name).write_text(evidence.read_text())
    text = (folder / "lot.toml").read_text()
    (folder / "lot.toml").write_text(
        text.replace("[scanner]\n", f'evidence = ["{evidence.name}"]\n[scanner]\n', 1)
    )
    items = [item for item in check_lot(load_config(folder)).items if item.name == "antenna evidence"]
    return " ".join(item.found for item in items)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mark,line,spot\nA,5,99\n", r'sighting 1, mark "A": there is no spot 99'),
        ("mark,line,spot\nA,999999,3\n", "line 999999 is not in the scan, lines 1 to"),
        ("mark,line,spot\nA,five,3\n", 'seen.csv:2: line: "five" is not a number'),
        ("mark,spot\nA,3\n", "give the line, or time_utc"),
        ("mark,time_utc,spot\nA,2026-05-14T13:30:00,3\n", "time_utc: every time needs its zone"),
        ("mark,from_line,to_line\nA,300,400\n", "needs look: hot or cold"),
        ("mark,from_line,to_line,look\nA,300,400,warm\n", 'look: "warm" is not one of hot, cold'),
        ("mark,from_line,to_line,look\nA,300,400,hot\n", "nothing in the stretch stands out by 3 degC"),
        ("line,spot\n5,3\n", 'every row needs "mark"'),
        ("mark,line,spot,station,offset_m\nA,5,3,10-20,1\n", 'station of a mark: "10-20" is not a station'),
        ("mark,line,spot,station\nA,5,3,10+20\n", "needs offset_m or offset_ft too"),
        ("mark,kind,line,spot,easting_m,northing_m\nA,line,5,3,1,2\n", "a line's place is not one point"),
    ],
)
def test_sightings_that_cannot_be_are_refused_by_row(tmp_path, text, words):
    """A table that names no spot, line, time or thing of the scan is refused, with row and what is expected."""
    folder = written(tmp_path, drive(passes=(THERE,)), FORWARD_M, RIGHT_M)
    (folder / "seen.csv").write_text(text)
    with pytest.raises(InputError, match=words):
        found_by(folder, folder / "seen.csv")


def test_a_lot_with_a_change_is_refused(tmp_path):
    """Where the rig changes within the drive there is no one antenna to judge."""
    lot = drive(passes=(THERE,))
    folder = written(tmp_path, lot, FORWARD_M, RIGHT_M)
    at = np.datetime_as_string(lot.truth.time_utc[200], unit="s")
    with (folder / "lot.toml").open("a") as file:
        file.write(f'\n[[change]]\nat = "{at}Z"\nantenna_right = "0.3 m right"\n')
    with pytest.raises(ConfigError, match=r"\[\[change\]\]"):
        found_by(folder, table(folder, lot, marks_of(lot), codes=(0,)))


def test_a_turn_round_within_one_pass_serves_as_well(tmp_path):
    """Out, round in a drop of 10 m radius (60, 300, 60 degrees) and back in one log: no [[pass]] is needed."""
    drop = [synthetic.arc(10.0, angle) for angle in (-60.0, 300.0, -60.0)]
    road = (synthetic.straight(35.0), *drop, synthetic.straight(45.0))
    plan = PassPlan("upstation", offset_m=0.0, from_m=5.0, speeds=((0.0, 0.3),), stops=(Stop(12.0, 20.0),))
    lot = drive(road=road, passes=(plan,), alignment=False)
    folder = written(tmp_path, lot, FORWARD_M + 0.3, -RIGHT_M)
    heading = np.abs((lot.truth.heading_deg - lot.plan.start_bearing_deg + 180) % 360 - 180)
    legs = np.where(heading < 1, 0, np.where(heading > 179, 1, -1))
    rows = ["mark,line,spot"]
    for number, (line, spot) in enumerate(((150, 9), (250, 17)), 1):
        mark = lot.truth.spot_easting_m[line, spot], lot.truth.spot_northing_m[line, spot]
        for leg in (0, 1):
            away = np.hypot(lot.truth.spot_easting_m - mark[0], lot.truth.spot_northing_m - mark[1])
            away[legs != leg] = np.inf
            at = np.unravel_index(int(away.argmin()), away.shape)
            assert away[at] < 0.15
            rows.append(f"M{number},{at[0] + 1},{at[1] + 1}")
    (folder / "seen.csv").write_text("\n".join(rows) + "\n")
    found = found_by(folder, folder / "seen.csv")
    assert abs(found.forward.error_m + 0.3) < 3 * found.forward.sigma_m < 0.1
    assert abs(found.right.error_m - 2 * RIGHT_M) < 3 * found.right.sigma_m < 0.15


def test_noise_and_a_sensor_do_not_bias(tmp_path):
    """With 0.02 m of noise drifting over 60 s, and a heading sensor, the error is within three sigmas."""
    gnss = Gnss(fixed_m=0.02, correlation_s=60.0, heading_sigma_deg=0.3)
    lot = drive(gnss=gnss, scanner=Scanner(count=40), seed=3)
    folder = written(tmp_path, lot, FORWARD_M + 0.2, RIGHT_M)
    found = found_by(folder, table(folder, lot, marks_of(lot)))
    assert abs(found.forward.error_m + 0.2) < 3 * found.forward.sigma_m < 0.15
    assert abs(found.right.error_m) < 3 * found.right.sigma_m < 0.15
