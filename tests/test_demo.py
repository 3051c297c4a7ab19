"""The demonstration: made by its script, small, and it shows what was planted in it."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
import shapely

from thermosaic import synthetic
from thermosaic.cli import entry as cli
from thermosaic.opening import demo_lots, load_config
from thermosaic.rebuilding import rebuild_result
from thermosaic.results import Result, open_result, verify_result
from thermosaic.synthetic import SyntheticLot

DEMO = Path(__file__).parent.parent / "demo_project"
LIFTS = ("LBR-L1-20260514", "LBR-L2-20260516")


@pytest.fixture(scope="module")
def make_demo() -> ModuleType:
    """Give the script that made the demonstration."""
    spec = importlib.util.spec_from_file_location("make_demo", DEMO / "make_demo.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def lots(make_demo) -> dict[str, SyntheticLot]:
    """Give both lifts with their truth."""
    return {plan.lot_id: synthetic.make_lot(plan) for plan in (make_demo.lift1(), make_demo.lift2())}


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    """Run the installed command from an empty folder, kernels compiled anew; give what it wrote."""
    folder = tmp_path_factory.mktemp("demo")
    command = [str(Path(sys.executable).parent / "thermosaic"), "demo", "-o", "out"]
    surroundings = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path_factory.mktemp("numba"))}
    done = subprocess.run(command, cwd=folder, env=surroundings, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return folder / "out"


@pytest.fixture(scope="module")
def results(demo) -> dict[str, Result]:
    """Give both results of the demo command."""
    return {name: open_result(demo / name) for name in LIFTS}


def test_the_script_makes_the_same_bytes(make_demo, tmp_path):
    """make_demo.py writes byte for byte what is committed."""
    make_demo.main(tmp_path)
    made = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    kept = sorted(p.relative_to(DEMO) for lift in ("lift1", "lift2") for p in (DEMO / lift).iterdir())
    assert made == kept
    for path in made:
        assert (tmp_path / path).read_bytes() == (DEMO / path).read_bytes(), path


def test_the_demo_is_small():
    """Both lots together stay under 5 MB."""
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) < 5_000_000


def test_the_demo_states_what_was_made(make_demo):
    """The hand-written lot files state the rig and the frames of the plans."""
    for folder, plan in zip(demo_lots(), (make_demo.lift1(), make_demo.lift2()), strict=True):
        config = load_config(folder)
        assert config.lot.id == plan.lot_id
        assert config.crs.map == plan.map_crs
        for name in (
            "antenna_forward_m",
            "antenna_right_m",
            "antenna_up_m",
            "screed_forward_m",
            "non_slip_forward_m",
        ):
            assert getattr(config.rig, name) == pytest.approx(getattr(plan.rig, name), abs=1e-6)
        assert config.scanner.mat_left_m == pytest.approx(plan.scanner.mat_left_m)
        assert config.scanner.spots_right.last_m == pytest.approx(plan.scanner.last_m)


@pytest.mark.parametrize("name", LIFTS)
def test_every_product_passes_its_checker(results, name):
    """A re-check of the result finds no difference."""
    assert not verify_result(results[name].folder)


def test_the_lot_gives_the_same_bytes_again(results):
    """A lift run anew from its folder gives every byte of the published result again."""
    found = rebuild_result(results[LIFTS[0]].folder, demo_lots()[0])
    assert (found.differences, found.notes) == ((), ())


@pytest.mark.parametrize("name", LIFTS)
def test_planted_zones_stops_and_speeds_show(results, lots, name):
    """Every planted zone of 25 degF or more is found and no other; both stops are."""
    result, truth = results[name], lots[name].truth
    zones, stops = result.layers["cold_zones"], result.layers["stops"]
    factor = lots[name].site.factor
    found = [shapely.transform(item, lambda places: places * factor) for item in zones.geometry]
    planted = [zone.polygon for zone in truth.zones if zone.deficit_c >= 25 / 1.8]
    overlap = [[one.intersection(two).area / one.union(two).area for two in found] for one in planted]
    assert len(found) == len(planted)
    assert all(max(row) > 0.5 for row in overlap)
    assert {"cyclic", "streak"} <= set(zones["pattern"])
    assert len(stops) == len(truth.stops) == 2


@pytest.mark.parametrize("name", LIFTS)
def test_episodes_and_the_person_show(results, lots, name):
    """20 m go by wheel, the person is foreign, the wheel's 0.6 % and the clock's offset are found."""
    result, truth = results[name], lots[name].truth
    spots = result.spots()
    by_wheel = spots.loc[spots["placed"] == "by_wheel"].groupby("line").first()
    ways = truth.distance_m[by_wheel.index - 1]
    assert ways.max() - ways.min() == pytest.approx(20.0, abs=1.0)
    hidden = truth.foreign[spots["line"] - 1, spots["spot"] - 1]
    assert hidden.any()
    assert not spots["kept"][hidden].any()
    assert result.quality["wheel"]["scale"] == pytest.approx(truth.wheel_scale, abs=0.001)
    # half the time between two lines
    assert result.quality["clock"]["offset_s"] == pytest.approx(truth.clock_offset_s, abs=0.25)


def test_doubts_read_as_items_of_one_list(results):
    """Doubts come from all stages and stand in one list: each is told, and none ends as a sentence does."""
    texts = [doubt["text"] for name in LIFTS for doubt in results[name].quality["doubts"]]
    assert len(texts) >= 4
    assert not [text for text in texts if text.endswith(".") or text != text.strip() or not text]


def test_lifts_have_their_own_travel(results):
    """The lower lift ran upstation, the upper one downstation."""
    travel = [set(results[name].layers["mat"]["travel"]) for name in LIFTS]
    assert travel == [{"upstation"}, {"downstation"}]


def test_the_demo_runs_from_any_folder_on_a_new_machine(demo):
    """From an empty folder, kernels compiled anew, both lots are published, and nothing else is left."""
    assert sorted(path.name for path in demo.iterdir()) == sorted(LIFTS)
    assert list(demo.parent.iterdir()) == [demo]


def test_the_command_knows_the_shipped_lots():
    """The names that the command starts its processes with are those of the shipped lots."""
    assert list(cli.DEMO_LOTS) == [lot.name for lot in demo_lots()]
