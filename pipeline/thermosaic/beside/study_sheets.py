"""What a study found, as the noun that its sheet is drawn from: in the lot's units and words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..delivery import in_units, tell
from ..files.sheets.cooling_sheet import Bars, CoolingSheet, Curve, PassTimes
from ..files.sheets.loads_sheet import BACK_FRAC, LoadsSheet, PassLine
from ..files.sheets.lot_sheet import LotSheet
from ..files.sheets.measures import Measures
from ..kernels.periods import Correlogram
from ..studies import cooling as cooling_study
from ..studies.cooling import Cooling, Moment
from ..studies.load_cycles import LoadCycles, PassCycle

CURVE_STEPS = 90
MOST_MOMENTS = 4  # weather readings written out; of more the first, the last and how many
CURVE_PAST = 1.15  # curves run on past the longest time drawn
LOADS_CAUTION = (
    "A pattern is where and when, not why and not whose: what comes back is a load's end only where tickets show it. "
    "A cold place is a place to look, not proof of a defect."
)
COOLING_CAUTION = (
    f"{cooling_study.NOT_NEEDED} Mat as laid has one temperature through its depth, that of its surface within the "
    "range named. Rain, rollers' water and later weather are not in it."
)


def cooling_sheet(sheet: LotSheet, found: Cooling) -> CoolingSheet:
    """Lay out how long the mat of a lot stays warm."""
    to, zone = sheet.measures, str(sheet.config["lot"]["time_zone"])
    passes = tuple(
        PassTimes(pass_id, *(_bars(frame, pass_id, part) for frame, part in (
            (found.profiles, "mean"), (found.profiles, "low"), (found.zones, "zone"))))
        for pass_id in sheet.pass_ids
        if (found.profiles["pass_id"] == pass_id).any()
    )  # fmt: skip
    curve_s, curves = _curves(found, to)
    stop = to.text(found.conditions.cessation_c, "temp")
    return CoolingSheet(
        title=f"How long the mat stays above {stop}: {sheet.config['lot']['id']}",
        under=_under(sheet, found, zone),
        passes=passes,
        curve_s=curve_s,
        curves=curves,
        cessation_c=found.conditions.cessation_c,
        cessation_words="a rule of thumb"
        if found.conditions.cessation_c == cooling_study.CESSATION_C
        else "as stated",
        assumptions=tuple(_said(text, to) for text in cooling_study.assumptions(found.conditions)),
        caution=COOLING_CAUTION,
        measures=to,
    )


def _said(text: str, to: Measures) -> str:
    """A sentence in the sheet's units, degrees as its axes write them."""
    return in_units(text, to.delivery, to.foot_m).replace(" deg", " \N{DEGREE SIGN}")


def _bars(frame: pd.DataFrame, pass_id: str, part: str) -> Bars:
    mine = frame[(frame["pass_id"] == pass_id) & (frame["part"] == part)]
    ends = mine[["station_from_m", "station_to_m"]].to_numpy(float)
    return Bars(
        mine["number"].to_numpy(), ends, mine[["mean_low_s", "mean_s", "mean_high_s"]].to_numpy(float)
    )


def _under(sheet: LotSheet, found: Cooling, zone: str) -> tuple[str, ...]:
    """Route, lift and thickness; the weather; profiles that nothing can be said of."""
    lot, to = sheet.config["lot"], sheet.measures
    thick = (
        f"{lot['thickness_m'] / 0.0254:.4g} in"
        if to.delivery == "us"
        else f"{lot['thickness_m'] * 1000:.4g} mm"
    )
    base = found.conditions.base_c
    ground = (
        "base taken as the air within a range" if base is None else f"base stated, {to.text(base, 'temp')}"
    )
    first = f"{lot['route']}, lane {sheet.lanes}, lift {lot['lift']}, {thick} compacted; {ground}"
    used = sorted({int(k) for k in pd.concat([found.profiles, found.zones])["moment"] if k >= 0})
    words = [_said(cooling_study.moment_words(found.conditions.moments[k], zone, found.conditions.is_stated), to)
             for k in used]  # fmt: skip
    words = list(dict.fromkeys(words))
    if len(words) > MOST_MOMENTS:
        words = [words[0], f"{len(words) - 2} readings between", words[-1]]
    untold = found.untold
    left = f"; {untold} profiles have no weather within an hour or no temperature" if untold else ""
    return first, f"Weather: {'; '.join(words)}{left}"


def _curves(found: Cooling, to: Measures) -> tuple[np.ndarray, tuple[Curve, ...]]:
    """Curves of the profile nearest to the lot's mean and of the coldest zone or low end."""
    told = pd.concat([found.profiles[found.profiles["part"] != "high"], found.zones], ignore_index=True)
    told = told[told["moment"] >= 0]
    means = told[told["part"] == "mean"]
    usual = means.iloc[(means["laid_c"] - means["laid_c"].mean()).abs().argsort().iloc[0]]
    places = told[told["part"].isin(("zone", "low"))]
    coldest = places.loc[places["laid_c"].idxmin()]
    longest = float(np.nanmax(np.where(np.isfinite(means["mean_high_s"]), means["mean_high_s"], 3600.0)))
    curve_s = np.linspace(0, max(longest * CURVE_PAST, 600.0), CURVE_STEPS)
    return curve_s, tuple(_curve(found, row, curve_s, to) for row in (usual, coldest))


def _curve(found: Cooling, row: pd.Series, curve_s: np.ndarray, to: Measures) -> Curve:
    words = {
        "mean": "profile {number}, its mean",
        "low": "profile {number}, its low end",
        "zone": "zone {number}",
    }
    text = tell(words[row["part"]] + ", laid at {laid_c:.0f}", number=row["number"], laid_c=row["laid_c"])
    moment: Moment = found.conditions.moments[int(row["moment"])]
    return Curve(_said(text, to), cooling_study.fan(found.conditions, moment, float(row["laid_c"]), curve_s))


def loads_sheet(sheet: LotSheet, found: LoadCycles) -> LoadsSheet:
    """Lay out what comes back along each pass of a lot."""
    title = f"Does cold come back at one distance? {sheet.config['lot']['id']}"
    passes = tuple(_pass_line(item, found, sheet.measures) for item in found.passes)
    return LoadsSheet(title, passes, LOADS_CAUTION, sheet.measures)


def _pass_line(item: PassCycle, found: LoadCycles, to: Measures) -> PassLine:
    period, seen = item.period_m, item.correlogram
    due = np.empty(0) if item.bands is None else item.station_m[0] + item.bands.place_m[~item.bands.present]
    return PassLine(
        pass_id=item.pass_id,
        travel=item.travel,
        station_m=item.station_m,
        off_delta_c=item.line.off_delta_c,
        band_m=item.band_m,
        due_m=due,
        load_ends_m=item.tickets.ends_m,
        lag_m=np.empty(0) if seen is None else seen.lag_m,
        strength=np.empty(0) if seen is None else seen.strength,
        chance=np.nan if seen is None else float(np.quantile(seen.chance, 1 - BACK_FRAC)),
        looked_m=_looked(seen),
        period_m=(period.low, period.value, period.high),
        expected=_expected(item, found),
        told=tuple(_said(text, to) for text in found.told_of(item.pass_id)),
    )


def _looked(seen: Correlogram | None) -> tuple[float, float]:
    return (np.nan, np.nan) if seen is None else (seen.first * seen.step_m, seen.last * seen.step_m)


def _expected(item: PassCycle, found: LoadCycles) -> tuple[tuple[str, float], ...]:
    """Lengths of a load, by whole loads of the tickets and as stated."""
    lengths = []
    if len(item.tickets.whole_m):
        lengths.append(("loads by ticket", float(item.tickets.whole_m.mean())))
    if found.load_kg is not None:
        lengths.append(("load as stated", item.load_length_m(found.load_kg).value))
    elif found.load_length_m is not None:
        lengths.append(("load as the lot states", found.load_length_m))
    return tuple(lengths)
