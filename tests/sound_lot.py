"""A sound lot with everything a check can hold against each other, to seed faults into."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import builders
from thermosaic import synthetic
from thermosaic.synthetic import Gnss, LotPlan, Mat, PassPlan, Scanner, Stop, SyntheticLot, Wheel

MAT_LEFT_M, MAT_RIGHT_M = -1.95, 1.5  # not symmetric about C, so that left and right can be told
COUNT_MM = 0.5


def sound_plan(**changes: object) -> LotPlan:
    """Plan 75 m of straight road with one stop: alignment, mark, wheel counts, shoulders seen on both sides."""
    plan = {
        "lot_id": "SYN-20260514",
        "time_zone": "America/Boise",
        "start_utc": "2026-05-14T15:20:00.000",
        "road": (synthetic.straight(95.0),),
        "scanner": Scanner(
            first_m=-2.325, last_m=2.175, count=31, mat_left_m=MAT_LEFT_M, mat_right_m=MAT_RIGHT_M
        ),
        "passes": (PassPlan(stops=(Stop(30.0, 40.0),), speeds=((0.0, 0.12), (45.0, 0.09))),),
        "wheel": Wheel(quantum_m=COUNT_MM / 1000, as_count=True),
        "gnss": Gnss(fixed_m=0.008),
        "mat": Mat(texture_c=1.5),
    }
    return LotPlan(**{**plan, **changes})


def sound_lot(**changes: object) -> SyntheticLot:
    """Make the lot of `sound_plan`, with marks, plan offsets, target, width and evidence in its lot.toml."""
    lot = synthetic.make_lot(sound_plan(**changes))
    lot.files["lot.toml"] = _with_checks(lot)
    lot.files["wheel-0501.toml"] = EVIDENCE.encode()
    return lot


def _with_checks(lot: SyntheticLot) -> bytes:
    text = lot.files["lot.toml"].decode()
    station = lot.truth.station_m[0]
    upstation = lot.motions[0].sign > 0
    middle = lot.plan.passes[0].offset_m + (1 if upstation else -1) * (MAT_LEFT_M + MAT_RIGHT_M) / 2
    ends = [f"{abs(end):.3f} m {'right' if end >= 0 else 'left'}" for end in (middle - 1.725, middle + 1.725)]
    mark = f'[[mark]]\nstation = "{int(station // 100)}+{station % 100:05.2f}"\nat = "first line"\n'
    mark += 'point = "spot line"\ndistance = "0 m"\n'
    text = text.replace("[stationing]\n", f'{mark}\n[stationing]\nmat_offsets = ["{ends[0]}", "{ends[1]}"]\n')
    text = text.replace("[files]\n", 'laydown_target = "145 degC"\npaved_width = "3.45 m"\n\n[files]\n', 1)
    text = text.replace("[scanner]\n", 'evidence = ["wheel-0501.toml"]\n\n[scanner]\n')
    return text.encode()


EVIDENCE = f"""subject = "wheel"
key = "rig.wheel_per_count"
measured = "{COUNT_MM / 1000:g} m"
tolerance = "0.01 share"
verdict = "pass"
finding = "0.5 mm a count from 3 runs"
valid_from = "2026-05-01"
valid_to = "2026-07-30"
method = "runs over a measured course"
"""


def write_with(folder: Path, lot: SyntheticLot, edits: dict[str, Callable[[str], str]]) -> Path:
    """Write a lot with some of its files edited as text; an edit that changes nothing is a mistake."""
    builders.write_lot(folder, lot)
    for name, edit in edits.items():
        before = (folder / name).read_text(encoding="utf-8")
        after = edit(before)
        assert after != before, f"the fault changes nothing in {name}"
        (folder / name).write_text(after, encoding="utf-8")
    return folder
