"""Random sites follow from lengths, edges and listed numbers alone: held against published arithmetic."""

from __future__ import annotations

import shutil
import subprocess
from decimal import Decimal
from itertools import islice

import numpy as np
import pytest
from scipy import stats

from thermosaic.studies.plan_cores import PlanRule, listed, seeded
from thermosaic.studies.plan_cores.paved import Part, PavedLine, Sublot, cut_sublots, rounded
from thermosaic.studies.plan_cores.rule import EDGE_KINDS
from thermosaic.studies.plan_cores.sites import draw, find_site

FT = 0.3048
FINE_M = 1e-9  # a unit of rounding that rounds nothing away


def line(
    length_m: float,
    width_m: float,
    *,
    begin_m: float = 0.0,
    sign: int = 1,
    radius_m: float = np.inf,
    **other: object,
) -> PavedLine:
    """Make a line of even width with its left edge at offset 0, straight or in a bend to the right."""
    along = np.linspace(0.0, length_m, round(length_m) + 1)
    turn = along / radius_m
    knots = []
    for offset in (0.0, width_m):
        reach = radius_m - offset
        east, north = (
            (np.full_like(along, offset), along)
            if np.isinf(radius_m)
            else (radius_m - reach * np.cos(turn), reach * np.sin(turn))
        )
        knots.append(np.column_stack((east, north)))
    return PavedLine(**{
        "pass_id": "1", "sign": sign, "station_m": begin_m + sign * along,
        "edges_m": np.tile([0.0, width_m], (len(along), 1)), "left_m": knots[0], "right_m": knots[1],
        "paved": np.ones(len(along) - 1, bool), "edge_kinds": ("free", "free"), "point_scale": 1.0, **other,
    })  # fmt: skip


def whole(lines: list[PavedLine]) -> Sublot:
    """Make one sublot of everything."""
    return cut_sublots(lines, PlanRule(sublot_m=1e6), 1.0, FINE_M)[0][0]


def limits(metres: float) -> dict[str, float]:
    return dict.fromkeys(EDGE_KINDS, metres)


# ------------------------------------------------------------------------------------------------ numbers


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_the_stream_is_that_of_a_command_line():
    """Each number is what sha256sum (GNU coreutils) and long division give for "SEED LOT k"."""
    for k, number in enumerate(islice(seeded("contract 7", "KR12-L2"), 5), 1):
        text = f"contract 7 KR12-L2 {k}"
        done = subprocess.run(["sha256sum"], input=text, capture_output=True, text=True, check=True)
        assert f"{number:.4f}"[2:] == str(int(done.stdout[:12], 16))[-4:]


def test_the_stream_is_uniform_and_without_memory():
    """20,000 numbers fill 100 classes evenly (chi-square), and neighbours do not go together (scipy's spearmanr)."""
    numbers = np.array(list(islice(seeded("uniform", "LOT"), 20_000)))
    assert stats.chisquare(np.histogram(numbers, 100, (0, 1))[0]).pvalue > 0.01
    assert stats.spearmanr(numbers[:-1], numbers[1:]).pvalue > 0.01
    assert numbers.min() == 0.0
    assert numbers.max() == 0.9999


def test_another_lot_or_seed_gives_another_stream():
    """A seed seen on one lot tells nothing of the sites on the next."""
    streams = {tuple(islice(seeded(seed, lot), 4)) for seed in "ab" for lot in ("L1", "L2")}
    assert len(streams) == 4


def test_a_list_that_ends_says_so():
    """An agency's list is used in order; one that is too short is an error that tells its length."""
    stream = listed((0.1, 0.2))
    assert list(islice(stream, 2)) == [0.1, 0.2]
    with pytest.raises(ValueError, match="holds 2 random numbers and more are needed"):
        next(stream)


# ------------------------------------------------------------------------------------- published arithmetic


def test_the_worked_example_of_ufc():
    """UFC 3-250-03 (2001), (11): lane 750 m x 3 m, none within 0.5 m of an edge, places each 0.5 m: 7,495 of them;
    number 3,108 is at 311 m and 2.0 m. The numbers that stand for that place here lead to it, and its five places
    across are the ends and quarters of the usable width."""
    along, across = 750 * 2 - 1, 3 * 2 - 1
    assert along * across == 7495
    row, column = divmod(3108, across)
    rule, sublot = PlanRule(sublot_m=1e6, limits_m=limits(0.5)), whole([line(750.0, 3.0)])
    place_m = (row / 2 + 0.5, (column + 1) / 2)  # columns 0 .. 4 at 0.5 .. 2.5 m; a remainder of 3 at 2.0 m
    assert place_m == (311.0, 2.0)
    drawn = draw(sublot, rule, (place_m[0] / 750, column / (across - 1)), FINE_M)
    assert (drawn.station_m, drawn.offset_m) == pytest.approx((311.0, 2.0))
    ends = [draw(sublot, rule, (0.5, share), FINE_M).offset_m for share in (0, 0.25, 0.5, 0.75, 1)]
    assert ends == pytest.approx([0.5, 1.0, 1.5, 2.0, 2.5])


@pytest.mark.parametrize(
    ("length", "width"), [("0.3921", "0.7044"), ("0.0000", "0.9999"), ("0.9999", "0.0000")]
)
def test_station_and_offset_as_on_the_form_of_ct_375(length, width):
    """California Test 375's form, as quoted by others: D x G along, + B the start, E x H across; in decimals by hand.

    D = 1,000 ft from B = 24+50, E = 12 ft without limits at the edges.
    """
    sublot = whole([line(1000 * FT, 12 * FT, begin_m=2450 * FT)])
    drawn = draw(
        sublot, PlanRule(sublot_m=1e6, limits_m=limits(0.0)), (float(length), float(width)), 0.1 * FT
    )
    station_ft, offset_ft = Decimal(1000) * Decimal(length) + 2450, Decimal(12) * Decimal(width)
    assert drawn.station_m / FT == pytest.approx(float(station_ft), abs=0.05 + 1e-9)
    assert drawn.offset_m / FT == pytest.approx(float(offset_ft), abs=0.05 + 1e-9)


def test_a_sublot_by_mass_is_as_long_as_its_mass_reaches():
    """As WSDOT T 716 does: 100 tons (2000 lb) at 220 lb/yd2 on 12 ft are 100 x 2000 / (220 x 12 / 9) = 681.8 ft."""
    ton_kg, lb_yd2 = 907.18474, 0.45359237 / (9 * FT**2)
    sublots, _ = cut_sublots(
        [line(3000 * FT, 12 * FT)], PlanRule(sublot_kg=100 * ton_kg), 220 * lb_yd2, FINE_M
    )
    assert [item.length_m / FT for item in sublots[:-1]] == pytest.approx(
        [200_000 / (220 * 12 / 9)] * 3, abs=0.02
    )
    assert sublots[-1].length_m / FT == pytest.approx(3000 - 3 * 681.818, abs=0.02)


def test_a_wider_mat_makes_a_sublot_by_mass_shorter():
    """Where the mat widens from 3 m to 4 m the same mass reaches 3/4 as far; a sublot by length does not change."""
    wide = line(250.0, 3.0)
    edges = wide.edges_m.copy()
    edges[wide.station_m >= 100, 1] = 4.0
    wide = line(250.0, 3.0, edges_m=edges)
    sublots, _ = cut_sublots([wide], PlanRule(sublot_kg=300.0), 1.0, FINE_M)
    assert [sublots[0].length_m, sublots[1].length_m] == pytest.approx([100.0, 75.0], abs=0.6)


# --------------------------------------------------------------------------------------------------- rules


@pytest.mark.parametrize(
    ("length_m", "sizes"),
    [(300.0, [100, 100, 100]), (349.0, [100, 100, 149]), (350.0, [100, 100, 100, 50]), (399.0, [100, 100, 100, 99]),
     (40.0, [40]), (60.0, [60]), (140.0, [140])],
)  # fmt: skip
def test_what_remains_is_a_sublot_from_half_of_one(length_m, sizes):
    """The rest after whole sublots is one of its own from half of one on, else it belongs to the last."""
    sublots, whole_count = cut_sublots([line(length_m, 3.6)], PlanRule(sublot_m=100.0), 1.0, FINE_M)
    assert [item.length_m for item in sublots] == pytest.approx(sizes)
    assert [item.share_frac for item in sublots] == pytest.approx(np.array(sizes) / length_m)
    assert whole_count == pytest.approx(length_m / 100)


def test_sublots_go_on_into_the_next_pass():
    """A sublot that a pass does not fill goes on where the next begins; a number past its first part lies there."""
    lines = [line(150.0, 3.6), line(150.0, 3.6, begin_m=150.0, sign=-1, pass_id="2")]
    sublots, _ = cut_sublots(lines, PlanRule(sublot_m=100.0), 1.0, FINE_M)
    ends = [(part.line.pass_id, part.begin_m, part.end_m) for item in sublots for part in item.parts]
    assert ends == [("1", 0, 100), ("1", 100, 150), ("2", 150, 100), ("2", 100, 0)]
    drawn = draw(sublots[1], PlanRule(sublot_m=100.0), (0.8, 0.5), FINE_M)
    assert (drawn.line.pass_id, drawn.station_m) == ("2", pytest.approx(120.0))


def test_paved_downstation_a_sublot_begins_at_its_larger_station():
    """The same number counts in the direction of paving: from the larger station down; offsets stay as upstation."""
    up, down = whole([line(400.0, 3.6)]), whole([line(400.0, 3.6, begin_m=400.0, sign=-1)])
    rule = PlanRule(sublot_m=1e6)
    first, second = (draw(item, rule, (0.3, 0.2), FINE_M) for item in (up, down))
    assert first.station_m + second.station_m == pytest.approx(400.0)
    assert first.offset_m == second.offset_m


def test_a_stretch_that_was_not_paved_is_no_length():
    """Where nothing was paved a sublot reaches that much farther."""
    bare = line(300.0, 3.6)
    paved = (bare.station_m[:-1] < 20) | (bare.station_m[:-1] >= 60)
    sublots, _ = cut_sublots([line(300.0, 3.6, paved=paved)], PlanRule(sublot_m=130.0), 1.0, FINE_M)
    assert sublots[0].parts[0].end_m == pytest.approx(170.0)
    assert len(sublots) == 2


@pytest.mark.parametrize("move", [False, True])
def test_no_site_is_nearer_to_an_edge_than_its_limit(move):
    """Each kind of edge has its limit (0.5 m unsupported, 0.1 m supported: Saskatchewan STP 107); moved, on it."""
    mat = line(100.0, 3.6, edge_kinds=("free", "cold joint"))
    rule = PlanRule(sublot_m=1e6, limits_m={**limits(0.1), "free": 0.5}, move=move)
    drawn = [draw(whole([mat]), rule, (0.5, k / 10_000), FINE_M) for k in range(0, 10_000, 25)]
    offsets = np.array([item.offset_m for item in drawn])
    assert offsets.min() >= 0.5 - FINE_M
    assert offsets.max() <= 3.5 + FINE_M
    moved = np.array([item.moved for item in drawn])
    assert moved.mean() == pytest.approx((0.6 / 3.6) if move else 0.0, abs=0.01)  # (0.5 + 0.1) m of 3.6 m
    assert set(np.round(offsets[moved], 6)) <= {0.5, 3.5}


def test_limits_that_leave_nothing_are_refused():
    """Limits wider than the mat are an error that says so, not a site off the mat."""
    with pytest.raises(ValueError, match=r"0\.60 m wide.*leave nothing"):
        draw(whole([line(100.0, 0.6)]), PlanRule(sublot_m=1e6, limits_m=limits(0.5)), (0.5, 0.5), FINE_M)


@pytest.mark.parametrize(
    "wrong",
    [{}, {"sublot_m": 0.0}, {"sublot_m": 1.0, "sublot_kg": 1.0}, {"sublot_m": 1.0, "per_sublot": 0},
     {"sublot_m": 1.0, "limits_m": {"free": -1.0}}],
)  # fmt: skip
def test_a_rule_says_no_on_birth(wrong):
    """A rule without a size, with two, with none or negative numbers does not exist."""
    with pytest.raises(ValueError, match=r"sublot|edge"):
        PlanRule(**wrong)


def test_a_sublot_without_an_open_place_is_refused():
    """Where no site may lie drawing ends with an error that names the sublot, instead of going on for ever."""

    class Everywhere:
        def why(self, *place_m: float) -> str:
            return "in an exclusion"

    with pytest.raises(ValueError, match="sublot 1: 500 places drawn"):
        find_site(
            whole([line(100.0, 3.6)]),
            PlanRule(sublot_m=1e6),
            seeded("a", "b"),
            {"1": Everywhere()},
            0.01,
            [],
            "R01",
        )


# ---------------------------------------------------------------------------------------------- uniformity


@pytest.mark.parametrize("radius_m", [np.inf, 60.0])
def test_sites_are_uniform_along_and_across(radius_m):
    """Over 4,000 draws stations and offsets are uniform (Kolmogorov-Smirnov) and independent (chi-square)."""
    mat = line(180.0, 3.6, radius_m=radius_m)
    stream, rule = seeded("uniform", "BEND"), PlanRule(sublot_m=1e6, limits_m=limits(0.3))
    drawn = [draw(whole([mat]), rule, (next(stream), next(stream)), 0.001) for _ in range(4000)]
    along, across = (np.array([getattr(item, name) for item in drawn]) for name in ("station_m", "offset_m"))
    assert stats.kstest(along, stats.uniform(0.0, 180.0).cdf).pvalue > 0.01
    assert stats.kstest(across, stats.uniform(0.3, 3.0).cdf).pvalue > 0.01
    counts = np.histogram2d(along, across, (6, 3))[0]
    assert stats.chi2_contingency(counts).pvalue > 0.01


def test_in_a_bend_length_is_that_of_the_mat_s_middle():
    """Sublots are cut by ground length along the middle: pi R / 3 at R = 58.2 m, where the stations run at 60 m."""
    mat = line(60 * np.pi / 3, 3.6, radius_m=60.0)
    assert mat.ground_m[-1] == pytest.approx(58.2 * np.pi / 3, rel=1e-4)
    assert mat.area_m2[-1] == pytest.approx((60**2 - 56.4**2) * np.pi / 6, rel=1e-4)  # of an annulus


def test_what_is_printed_is_what_was_used():
    """Lengths are rounded before they are used, so arithmetic by hand with printed numbers gives the printed place."""
    unit = 0.1 * FT
    mat = line(517.3, 3.672, begin_m=3421.876, edges_m=np.tile([0.417, 4.089], (518, 1)))
    sublots, _ = cut_sublots([mat], PlanRule(sublot_m=150.0), 1.0, unit)
    stream = seeded("hand", "LOT")
    for sublot in sublots:
        pair = next(stream), next(stream)
        drawn = draw(sublot, PlanRule(sublot_m=150.0), pair, unit)
        begin, end = (f"{value / FT:.1f}" for value in (sublot.parts[0].begin_m, sublot.parts[0].end_m))
        along = (Decimal(end) - Decimal(begin)) * Decimal(f"{pair[0]:.4f}")
        assert float(Decimal(begin) + along) == pytest.approx(drawn.station_m / FT, abs=0.0501)
        low, high = (Decimal(f"{value / FT:.1f}") for value in drawn.usable_m)
        assert float(low + (high - low) * Decimal(f"{pair[1]:.4f}")) == pytest.approx(
            drawn.offset_m / FT, abs=0.0501
        )


def test_a_place_at_the_very_end_stays_in_the_sublot():
    """The largest number lies in the last part, also where rounding has moved its end."""
    part = Part(line(100.0, 3.6), 0.0, rounded(99.97, 0.1))
    found, station = Sublot(1, (part,), 1.0).at(0.9999 * part.length_m)
    assert found is part
    assert 99.9 <= station <= 100.0
