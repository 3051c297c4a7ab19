"""Several scanners over one mat: one line of spots, one of them counts where two see the same mat."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.spatial import cKDTree

import flow as flows
from builders import write_lot
from thermosaic import synthetic
from thermosaic.checks import check_lot, check_so_far
from thermosaic.errors import ConfigError
from thermosaic.kernels import scanners
from thermosaic.opening import load_config
from thermosaic.results import verify_result
from thermosaic.run import run_lot
from thermosaic.synthetic import LotPlan, Mat, PassPlan, Patch, Scanner, Stop

WHOLE = Scanner(first_m=-2.1, last_m=2.1, count=29, rate_hz=2.0)  # 0.15 m apart
BIAS_C = 1.7


def make() -> synthetic.SyntheticLot:
    """A straight lot with a stop and a cold patch across the middle, seen by one wide scanner."""
    passes = (PassPlan(stops=(Stop(50.0, 40.0),), speeds=((0.0, 0.15),)),)
    mat = Mat(patches=(Patch(70.0, 3.0, 0.0, 1.5, 25.0),))
    road = (synthetic.straight(120.0),)
    return synthetic.make_lot(LotPlan(road=road, passes=passes, mat=mat, scanner=WHOLE))


def split(
    lot: synthetic.SyntheticLot,
    late_ms: int = 0,
    right_order: int = 1,
    wins: tuple[bool, bool] = (True, False),
) -> synthetic.SyntheticLot:
    """Columns 1 to 18 to scanner A, 13 to 29 to scanner B: six columns are seen by both, B reads 1.7 degC more there.

    B's rows are `late_ms` later on its own clock, and may be logged from right to left.
    """
    head, *body = lot.files["scan.csv"].decode().splitlines()
    cells = [row.split(",") for row in body]
    one = [",".join(row[:20]) for row in cells]
    other = [",".join([shifted(row[0], late_ms), *warmer(row[14:31])[::right_order]]) for row in cells]
    names = head.split(",")
    files = lot.files | {
        "scan.csv": "\n".join([",".join(names[:20]), *one, ""]).encode(),
        "scan_b.csv": "\n".join([",".join(["time_utc", *names[2:19]]), *other, ""]).encode(),
    }
    ends = ("-0.3 m", "2.1 m")[::right_order]
    stated = "".join([
        part("A", "scan.csv", ("-2.1 m", "0.45 m"), wins[0], 'mat_left = "-1.8 m"'),
        part("B", "scan_b.csv", ends, wins[1], 'mat_right = "1.8 m"'),
    ])  # fmt: skip
    toml = re.sub(r"\[scanner\]\n(?:.+\n)+", stated, lot.files["lot.toml"].decode())
    toml = toml.replace('scan = "scan.csv"\n', "").replace('clock_offset = "auto"', 'clock_offset = "0 s"')
    if late_ms:
        toml = toml.replace('id = "B"', f'id = "B"\nclock_offset = "{late_ms} ms"')
    return replace(lot, files=files | {"lot.toml": toml.encode()})


def part(name: str, file: str, ends: tuple[str, str], wins: bool, edge: str) -> str:
    """One table of a scanner."""
    spots = f'spots_right = {{ first = "{ends[0]}", last = "{ends[1]}" }}'
    return f'[[scanner]]\nid = "{name}"\nfile = "{file}"\n{spots}\nwins_overlap = {str(wins).lower()}\n{edge}\n\n'


def warmer(cells: list[str]) -> list[str]:
    return [f"{float(cell) + BIAS_C:.2f}" for cell in cells]


def shifted(stamp: str, late_ms: int) -> str:
    return f"{np.datetime64(stamp.rstrip('Z'), 'ms') + np.timedelta64(late_ms, 'ms')}Z"


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> flows.Flow:
    """The same mat seen by one scanner."""
    return flows.flow(
        make(),
        tmp_path_factory.mktemp("one"),
        lambda text: text.replace('clock_offset = "auto"', 'clock_offset = "0 s"'),
    )


@pytest.mark.parametrize(("late_ms", "order"), [(0, 1), (60_000, 1), (0, -1)])
def test_two_scanners_see_what_one_wide_one_sees(whole, tmp_path, late_ms, order):
    """Places, first looks and, but for B's bias, readings are those of one wide scanner; A's win the overlap."""
    found = flows.flow(split(make(), late_ms, order), tmp_path)
    assert found.swath.temp_c.shape == whole.swath.temp_c.shape
    assert np.allclose(found.swath.easting_m, whole.swath.easting_m, atol=1e-6)
    assert np.allclose(found.swath.temp_c[:, :18], whole.swath.temp_c[:, :18])
    assert np.allclose(found.swath.temp_c[:, 18:], whole.swath.temp_c[:, 18:] + BIAS_C, atol=0.006)
    assert np.array_equal(found.swath.on_mat, whole.swath.on_mat)
    origin = found.inputs.scan.origin
    assert origin[:18] == tuple(("A", number) for number in range(1, 19))
    numbers = range(7, 18) if order > 0 else range(11, 0, -1)
    assert origin[18:] == tuple(("B", number) for number in numbers)


@pytest.mark.parametrize("late_ms", [0, 60_000])
def test_a_stated_clock_that_is_right_is_not_doubted(tmp_path, late_ms):
    """Two scanners at 2 Hz whose clocks are stated as they run: neither check nor its look at the end doubts them."""
    config = load_config(write_lot(tmp_path, split(make(), late_ms)))
    for found in (check_lot(config), check_so_far(config)):
        assert "scanners overlap" in [item.name for item in found.items]
        assert not [item.found for item in found.items if item.name == "clock differs"]


def test_one_scanner_at_2_hz_does_not_doubt_its_stated_clock(tmp_path):
    """The same road, stop and rate seen by one scanner, its clock stated: no doubt of it either."""
    lot = make()
    toml = lot.files["lot.toml"].decode().replace('clock_offset = "auto"', 'clock_offset = "0 s"')
    config = load_config(write_lot(tmp_path, replace(lot, files=lot.files | {"lot.toml": toml.encode()})))
    for found in (check_lot(config), check_so_far(config)):
        assert not [item.found for item in found.items if item.name == "clock differs"]


def test_the_mean_difference_in_the_overlap_is_reported(tmp_path):
    """B reads 1.7 degC more than A where both see the mat, and a doubt says so with the numbers."""
    found = flows.flow(split(make()), tmp_path)
    (doubt,) = [item for item in found.inputs.doubts if item.kind == "scanners_overlap"]
    assert doubt.amount == pytest.approx(BIAS_C, abs=0.01)
    assert "A counts there" in doubt.text
    assert "6 columns" in doubt.text


def test_the_other_one_wins_where_that_is_stated(whole, tmp_path):
    """With B winning its bias reaches six columns further, and the difference turns its sign."""
    found = flows.flow(split(make(), wins=(False, True)), tmp_path)
    assert np.allclose(found.swath.temp_c[:, 12:], whole.swath.temp_c[:, 12:] + BIAS_C, atol=0.006)
    (doubt,) = [item for item in found.inputs.doubts if item.kind == "scanners_overlap"]
    assert doubt.amount == pytest.approx(-BIAS_C, abs=0.01)


def test_a_result_of_two_scanners_checks_and_names_them(tmp_path):
    """The balance of readings holds, every product verifies, spots.parquet says which scanner read what."""
    write_lot(tmp_path / "lot", split(make()))
    result = tmp_path / "result"
    run_lot(load_config(tmp_path / "lot"), result, report=False)
    assert not verify_result(result)
    spots = pd.read_parquet(result / "spots.parquet", columns=["line", "spot", "scanner"])
    assert set(spots["scanner"]) == {"A", "B"}
    assert (spots.loc[spots["spot"] <= 18, "scanner"] == "A").all()
    assert (spots.loc[spots["spot"] > 18, "scanner"] == "B").all()
    assert not spots.duplicated(["line", "spot"]).any()


def test_a_clock_that_both_share_is_set_in_both_logs(tmp_path):
    """The logger of both scanners is set back by 5 s: places, times and readings are those of the clock never set."""
    lot = split(make())
    moment = np.datetime64("2026-05-14T13:28:00.000")
    files = dict(lot.files)
    for name in ("scan.csv", "scan_b.csv"):
        head, *body = files[name].decode().splitlines()
        cells = [row.split(",", 1) for row in body]
        back = [
            shifted(stamp, -5000 if np.datetime64(stamp[:-1]) >= moment else 0) + "," + rest
            for stamp, rest in cells
        ]
        files[name] = "\n".join([head, *back, ""]).encode()
    change = f'\n[[change]]\nat = "{moment}Z"\nclock_offset = "-5 s"\n'
    found = flows.flow(replace(lot, files=files), tmp_path / "set", lambda text: text + change)
    never = flows.flow(lot, tmp_path / "never")
    for name in ("seen_utc", "easting_m", "northing_m", "temp_c"):
        assert np.array_equal(
            getattr(found.swath, name), getattr(never.swath, name), equal_nan=name == "temp_c"
        )


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (
            lambda text: (
                text.replace('id = "B"', 'id = "B"\nclock_offset = "1 s"')
                + '\n[[change]]\nat = "2026-05-14T13:28:00Z"\nclock_offset = "2 s"\n'
            ),
            r"change\[1\]\.clock_offset: several scanners with clocks of their own",
        ),
        (
            lambda text: text.replace("wins_overlap = true", "wins_overlap = false"),
            "A and B see the same mat: state wins",
        ),
        (lambda text: text.replace('mat_right = "1.8 m"\n', ""), r"scanner\[1\]\.mat_right: stated 0 times"),
        (lambda text: text.replace('id = "B"', 'id = "a"'), r'scanner\[2\]\.id: two scanners are called "a"'),
        (
            lambda text: text.replace("[files]", '[files]\nscan = "scan.csv"'),
            "files.scan: each .. names its own|files.scan: each",
        ),
        (lambda text: text.replace('file = "scan_b.csv"\n', ""), r"scanner\[2\]\.file: required"),
    ],
)
def test_what_several_scanners_lack_is_named(tmp_path, edit, message):
    """No winner, no edge, one name twice, a log too many or too few: an error that says where."""
    with pytest.raises(ConfigError, match=message):
        flows.flow(split(make()), tmp_path, edit)


def test_one_scanner_in_double_brackets_is_told(tmp_path):
    """[[scanner]] once is answered with [scanner]."""
    folder: Path = write_lot(tmp_path, split(make()))
    toml = folder / "lot.toml"
    toml.write_text(re.sub(r'\[\[scanner\]\]\nid = "B"\n(?:.+\n)+', "", toml.read_text()))
    with pytest.raises(ConfigError, match=r"scanner: \[\[scanner\]\] is for several"):
        load_config(folder)


def test_rows_are_matched_to_the_nearest_in_time():
    """The same rows as scipy's nearest neighbour, and none further off than half a step of the slower log."""
    rng = np.random.default_rng(4)
    wanted = np.cumsum(rng.integers(200, 300, 400)).astype(np.int64)
    given = np.delete(np.cumsum(rng.integers(450, 550, 200)), slice(80, 95)).astype(np.int64)
    apart, _ = cKDTree(given[:, None].astype(float)).query(wanted[:, None].astype(float))
    row = scanners.nearest_rows(wanted, given)
    limit = np.median(np.diff(given)) / 2
    assert np.array_equal(row < 0, apart > limit)
    taken = row >= 0
    assert np.array_equal(np.abs(given[row[taken]] - wanted[taken]), apart[taken])
