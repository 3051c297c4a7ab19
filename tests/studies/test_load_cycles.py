"""Cold bands at the length of a load: planted cycles found with their mass, none where none is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import builders
from command_line import thermosaic as command
from thermosaic import beside, synthetic
from thermosaic.delivery import in_units
from thermosaic.findings.cycles import Cycle
from thermosaic.findings.uniformity import ColdLine
from thermosaic.kernels.bands import Bands
from thermosaic.opening import load_config
from thermosaic.results import explain_result
from thermosaic.run import run_lot
from thermosaic.studies.load_cycles import Interval, LoadCycles, PassCycle
from thermosaic.studies.load_cycles.cycle import RATE_OFF_FRAC, WIDTH_OFF_M, Tickets
from thermosaic.studies.load_cycles.told import sentences
from thermosaic.units import FOOT_M, parse_quantity

TON_KG = 907.18474
LOAD_M, FIRST_M, LENGTH_M = 38.0, 20.0, 330.0
SPEED_MPS = 0.2


def fast_lot(**mat: object) -> synthetic.SyntheticLot:
    """Make a straight lot of 330 m, paved fast and seen coarsely."""
    scanner = synthetic.Scanner(count=14, rate_hz=1.0)
    paving = synthetic.PassPlan(speeds=((0.0, SPEED_MPS),))
    plan = synthetic.LotPlan(
        lot_id="SYN-LOADS", road=(synthetic.straight(LENGTH_M + 20),), scanner=scanner, passes=(paving,),
        gnss=synthetic.Gnss(rate_hz=1.0), mat=synthetic.Mat(**mat), seed=11,
    )  # fmt: skip
    return synthetic.make_lot(plan)


def published(folder: Path, lot: synthetic.SyntheticLot, tickets: tuple[float, ...] = ()) -> Path:
    """Publish a lot with a spread rate; loads end so many metres along its path."""
    builders.write_lot(folder / "lot", lot)
    text = (folder / "lot" / "lot.toml").read_text().replace("[lot]", '[lot]\nspread_rate = "120 kg/m2"', 1)
    if tickets:
        seconds = np.interp(tickets, lot.truth.distance_m, np.arange(len(lot.truth.time_utc)))
        rows = [f"{lot.truth.time_utc[round(k)]}Z,14.3,T{n}" for n, k in enumerate(seconds)]
        (folder / "lot" / "tickets.csv").write_text("\n".join(["time_utc,mass_t,ticket_id", *rows, ""]))
        text = text.replace("[files]", '[files]\ntickets = "tickets.csv"', 1)
    (folder / "lot" / "lot.toml").write_text(text)
    run_lot(load_config(folder / "lot"), folder / "result", report=False)
    return folder / "result"


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a result with a cold load end each 38 m, 3 m past the end of each load by its ticket."""
    end = synthetic.Patch(FIRST_M, 2.4, 0.0, 3.0, 18.0)
    ends = tuple(np.arange(FIRST_M, LENGTH_M - 20, LOAD_M) - 3.0 - 0.9)  # the screed rides 0.9 m ahead
    lot = fast_lot(load_length_m=LOAD_M, load_end=end)
    return published(tmp_path_factory.mktemp("planted"), lot, ends)


@pytest.fixture(scope="module")
def scattered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a result with as many cold places, anywhere."""
    places = np.random.default_rng(2).uniform(15, LENGTH_M - 20, 8)
    patches = tuple(synthetic.Patch(float(at), 2.4, 0.0, 3.0, 18.0) for at in places)
    return published(tmp_path_factory.mktemp("scattered"), fast_lot(patches=patches))


def test_a_planted_cycle_is_found(planted):
    """38 m within the interval and 0.3 m, every band within 0.6 m of its place, mass = period x width x rate.

    Ten pitches of 4.05 m / 13 lie on the mat, 3.115 m: a period is 38 x 3.115 x 120 kg = 14.2 t (by hand), and the
    tickets' 14.3 t lies in its interval.
    """
    (found,) = beside.load_cycles(planted).passes
    assert found.period_m.value == pytest.approx(LOAD_M, abs=0.3)
    assert found.period_m.holds(LOAD_M)
    bands = np.arange(FIRST_M, LENGTH_M - 5, LOAD_M)
    zero = found.band_m[0] - FIRST_M
    assert found.band_m - zero == pytest.approx(bands[: len(found.band_m)], abs=0.6)
    assert len(found.band_m) >= len(bands) - 1
    assert found.mass_t.value == pytest.approx(LOAD_M * 10 * 4.05 / 13 * 120 / 1000, rel=0.02)
    assert found.mass_t.holds(14.3)
    assert found.share_frac > 0.5
    assert found.cycle.is_significant


def test_tickets_say_that_it_is_a_load(planted):
    """With tickets whose loads end 3 m before each band the sentence says so; the zone's explanation tells it too."""
    told = beside.load_cycles(planted).told
    assert any("bands lie 3." in text and "past the end of a truck load" in text for text in told)
    assert any("within that interval" in text for text in told)
    zone = explain_result(planted, zone=2)
    step = next(step for step in zone.steps if step.name == "cycle")
    assert "comes back every 38." in step.sentence or "comes back every 37." in step.sentence


def test_no_cycle_where_there_is_none(scattered):
    """Cold places anywhere: no period, no bands, no mass, and the sentence says how often chance does as much."""
    (found,) = beside.load_cycles(scattered).passes
    assert found.bands is None
    assert len(found.band_m) == 0
    assert np.isnan(found.mass_t.value)
    assert len(beside.load_cycles(scattered).told) == 1
    assert "no distance at which cold comes back" in beside.load_cycles(scattered).told[0]
    assert "load" not in beside.load_cycles(scattered).told[0]


def test_the_sheet_is_the_same_each_time(planted, scattered, tmp_path):
    """Drawn twice the picture has the same bytes; it carries the sentences, the tickets, and the caution."""
    for folder in (planted, scattered):
        for ending in ("png", "svg"):
            first, second = (beside.plot_loads(folder, tmp_path / f"{n}.{ending}", 20_000.0) for n in "ab")
            assert first.read_bytes() == second.read_bytes()
    text = beside.plot_loads(planted, tmp_path / "p.svg").read_text()
    for words in ("cold band", "end of a load by ticket", "loads by ticket", "not why and not whose"):
        assert words in text


def test_the_command(planted, tmp_path):
    """`plot --what loads --load MASS` draws it; a mass without a unit, or for another picture, is refused."""
    assert (
        command("plot", planted, "--what", "loads", "--load", "18 t", "-o", tmp_path / "l.png").returncode
        == 0
    )
    for words in (("--what", "loads", "--load", "18"), ("--what", "plan", "--load", "18 t")):
        done = command("plot", planted, *words, "-o", tmp_path / "m.png")
        assert done.returncode == 2
        assert "--load" in done.stderr


# ------------------------------------------------------------------------------------------ arithmetic


def a_cycle(period_m: float, width_m: float, rate_kg_m2: float, **changes: object) -> PassCycle:
    """Give a pass whose bands come back at a length, to within 2 % of it."""
    places = np.cumsum(period_m * np.array([0.2, 1.02, 0.98, 1.02, 0.98]))
    given = PassCycle(
        pass_id="1", travel="upstation", line=ColdLine(np.zeros(400), np.zeros(400), 1.0), station_m=np.arange(400.0),
        correlogram=None, cycle=Cycle(period_m, 0.01, "level", 0.5), bands=Bands(places, np.ones(5), np.ones(5, bool)),
        width_m=width_m, rate_kg_m2=Interval(0.95 * rate_kg_m2, rate_kg_m2, 1.05 * rate_kg_m2), is_rate_stated=True,
        tickets=Tickets(np.empty(0), np.empty(0), np.empty(0)),
    )  # fmt: skip
    return replace(given, **changes)


LB_YD2 = parse_quantity("1 lb/yd2", "area_mass")
YIELDS = [  # feet, width in feet, lb/yd2, tons: 110 lb/yd2 an inch, 2 in (derived; 12.5 t a contractor's yield guide)
    (136.4, 12, 220, 20.0), (163.6, 12, 220, 24.0), (150.0, 12, 220, 22.0), (85.2, 12, 220, 12.5),
]  # fmt: skip


@pytest.mark.parametrize(("feet", "width_ft", "rate", "tons"), YIELDS)
def test_worked_yields(feet, width_ft, rate, tons):
    """A period of 136.4 ft is 20 tons, 163.6 ft 24, 150 ft 22 on 12 ft of mat 2 in thick; and back, within 0.05 ft."""
    found = a_cycle(feet * FOOT_M, width_ft * FOOT_M, rate * LB_YD2)
    assert found.mass_t.value * 1000 / TON_KG == pytest.approx(tons, abs=0.01)
    assert found.load_length_m(tons * TON_KG).value / FOOT_M == pytest.approx(feet, abs=0.05)


def test_a_metric_yield():
    """20 t on 3.5 m at 50 mm and 2400 kg/m3 are 47.6 m (derived)."""
    found = a_cycle(47.6, 3.5, 120.0)
    assert found.mass_t.value == pytest.approx(20.0, abs=0.01)
    assert found.load_length_m(20_000.0).value == pytest.approx(47.6, abs=0.05)


def test_interval_of_a_mass_by_hand():
    """Shares of period, rate and width add in squares: +-5 % of rate, 0.1 of 3.6 m, and the period's own."""
    found = a_cycle(40.0, 3.6, 120.0)
    period = (found.period_m.high - found.period_m.low) / 2 / 40.0
    off = np.sqrt(period**2 + RATE_OFF_FRAC**2 + (WIDTH_OFF_M / 3.6) ** 2)
    assert found.mass_t.high == pytest.approx(40 * 3.6 * 0.12 * (1 + off))


def test_a_load_is_named_by_tickets_alone():
    """Without tickets the words say that only they can show it; with them, whether bands follow load ends."""
    found = a_cycle(40.0, 3.6, 120.0)
    assert "only they can show" in sentences(found, None, None)[-1]
    masses = np.full(4, 17.3)
    far = replace(found, tickets=Tickets(masses, np.full(3, 40.0), np.array([1.0, 30.0, 95.0, 120.0])))
    assert "do not show that bands lie one way past" in sentences(far, None, None)[-1]
    near = replace(found, tickets=Tickets(masses, np.full(3, 40.0), found.band_m - 4.0))
    assert "5 of 5 bands lie 4.0 m past the end of a truck load" in sentences(near, None, None)[-1]
    down = replace(near, travel="downstation", tickets=Tickets(masses, np.full(3, 40.0), found.band_m + 4.0))
    assert "5 of 5 bands lie 4.0 m past the end of a truck load" in sentences(down, None, None)[-1]


def test_a_stated_load_is_held_against_the_period():
    """24 tons cover 163.6 ft: within a period of that length, outside one of 140 ft; a stated length likewise."""
    same = a_cycle(163.6 * FOOT_M, 12 * FOOT_M, 220 * LB_YD2)
    other = a_cycle(120.0 * FOOT_M, 12 * FOOT_M, 220 * LB_YD2)
    for found, word in ((same, "within"), (other, "outside")):
        text = in_units(sentences(found, 24 * TON_KG, None)[-1], "us", FOOT_M)
        assert text.startswith("A load of 24.0 tons covers 163.6 ft (")
        assert text.endswith(f"{word} the interval of the period.")
    assert "within" in sentences(same, None, 163.6 * FOOT_M)[-1]


def test_a_run_that_found_two_loads_is_told():
    """Where the run's period is twice that of the bands, the sentence gives both."""
    found = replace(a_cycle(40.0, 3.6, 120.0), cycle=Cycle(80.0, 0.01, "level", 0.5))
    assert "the run says 80.0 m, 2 of these" in sentences(found, None, None)[0]


def test_the_noun_of_a_lot():
    """Sentences of a lot stand pass after pass."""
    item = a_cycle(40.0, 3.6, 120.0)
    found = LoadCycles((item,), None, None, {"1": ("a", "b"), "2": ("c",)})
    assert found.told == ("a", "b", "c")
    assert found.told_of("2") == ("c",)
