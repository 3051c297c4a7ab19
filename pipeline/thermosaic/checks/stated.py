"""What a lot states, held against itself and against how such machines are built; no log is read.

Ranges are common practice without a source: they ask for a second look, they refuse nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from .. import questions
from ..config import LotConfig, RigSection
from ..delivery import tell
from ..errors import ConfigError
from ..files.catalogue import load_agency
from ..files.settings import toml_settings
from .items import CheckItem, look, ok

FARTHEST_ANTENNA_M, HIGHEST_ANTENNA_M = 6.0, 6.0
FARTHEST_SCREED_M, FARTHEST_NON_SLIP_M = 4.0, 8.0
THICKEST_M = 0.3
WIDTH_TOLERANCE_M = 0.15
TAPE = "measure again with a tape, paver parked, and mind ahead and behind"
ZONE_HOURS = 3.0  # clock time against the sun: zones and summer time explain up to about this


def stated_items(config: LotConfig) -> list[CheckItem]:
    """Look at the machine, the mat and the names as stated."""
    return [*_machine(config), *_mat(config), *_agency(config)]


def _machine(config: LotConfig) -> list[CheckItem]:
    """Doubts of where antenna, screed and non-slip point sit; without any, where they do."""
    rig = config.rig
    doubts = [*_antenna(rig), *_screed(rig)]
    if doubts:
        return doubts
    text = tell(
        "antenna {forward_m:.2f} ahead and {right_m:.2f} {side} of the scan line, screed {screed_m:.2f} and "
        "non-slip point {non_slip_m:.2f} ahead",
        forward_m=rig.antenna_forward_m, right_m=abs(rig.antenna_right_m),
        side="right" if rig.antenna_right_m >= 0 else "left",
        screed_m=rig.screed_forward_m, non_slip_m=rig.non_slip_forward_m,
    )  # fmt: skip
    return [ok("machine", text)]


def _antenna(rig: RigSection) -> Iterator[CheckItem]:
    """What is unusual about the antenna's place."""
    if rig.antenna_forward_m < 0:
        text = tell(
            "the antenna is stated {behind_m:.2f} behind the scan line; most ride ahead of it",
            behind_m=-rig.antenna_forward_m,
        )
        yield look("antenna ahead or behind", text, f"a wrong sign moves the mat by twice this: {TAPE}")
    if max(abs(rig.antenna_forward_m), abs(rig.antenna_right_m)) > FARTHEST_ANTENNA_M:
        text = tell(
            "the antenna is stated {forward_m:.1f} ahead and {right_m:.1f} right: farther than a paver is long or wide",
            forward_m=rig.antenna_forward_m, right_m=rig.antenna_right_m,
        )  # fmt: skip
        yield look("antenna", text, f"check the unit; {TAPE}")
    if rig.antenna_up_m > HIGHEST_ANTENNA_M or rig.antenna_up_m < 1.0:
        text = tell(
            "the antenna is stated {up_m:.1f} above the mat; {low_m:.0f} to {high_m:.0f} is usual",
            up_m=rig.antenna_up_m, low_m=2.0, high_m=5.0,
        )  # fmt: skip
        yield look("antenna height", text, "check the number and its unit")


def _screed(rig: RigSection) -> Iterator[CheckItem]:
    """What is unusual about the places of screed and non-slip point."""
    if rig.screed_forward_m < 0:
        text = tell(
            "the screed is stated {behind_m:.2f} behind the scan line: the spots would look at ground not yet paved",
            behind_m=-rig.screed_forward_m,
        )
        yield look("screed ahead or behind", text, TAPE)
    if rig.screed_forward_m > FARTHEST_SCREED_M:
        text = tell(
            "the screed is stated {ahead_m:.1f} ahead of the scan line; {low_m:.1f} to {high_m:.0f} is usual",
            ahead_m=rig.screed_forward_m, low_m=0.5, high_m=3.0,
        )  # fmt: skip
        yield look("screed", text, "check the number and its unit")
    if not rig.screed_forward_m <= rig.non_slip_forward_m <= FARTHEST_NON_SLIP_M:
        text = tell(
            "the non-slip point is stated {ahead_m:.2f} ahead of the scan line; it lies under the machine, ahead of "
            "the screed",
            ahead_m=rig.non_slip_forward_m,
        )
        yield look("non-slip point", text, TAPE)


def _mat(config: LotConfig) -> Iterator[CheckItem]:
    """What is unusual about width, thickness and target of the mat."""
    scanner, lot = config.scanner, config.lot
    width = scanner.mat_right_m - scanner.mat_left_m
    if lot.paved_width_m is not None and abs(width - lot.paved_width_m) > WIDTH_TOLERANCE_M:
        yield look(
            "paved width",
            tell(
                "mat_left to mat_right is {width_m:.2f}, [lot] paved_width is {stated_m:.2f}",
                width_m=width,
                stated_m=lot.paved_width_m,
            ),
            "measure the mat under the scanner again; one of the two, or its unit, is wrong",
        )
    if not 1.5 <= width <= 9.0:
        yield look(
            "mat width",
            tell("mat_left to mat_right is {width_m:.2f}", width_m=width),
            tell("{low_m:.0f} to {high_m:.0f} is usual: check the unit", low_m=2.0, high_m=8.0),
        )
    if lot.thickness_m > THICKEST_M:
        text = tell("{thickness_m:.2f} compacted", thickness_m=lot.thickness_m)
        yield look("thickness", text, "a lift has 1 to 6 in (25 to 150 mm): check the unit")
    target = lot.laydown_target_c
    if target is not None and not 90.0 <= target <= 200.0:
        yield look(
            "laydown target",
            tell("{target_c:.0f}", target_c=target),
            "no mix is laid at this: check the unit",
        )


def _agency(config: LotConfig) -> Iterator[CheckItem]:
    """Hold name and agency keys against the naming pattern that [lot.agency] naming names."""
    named = config.lot.agency.get("naming")
    if not isinstance(named, str):
        return
    try:
        pattern = load_agency(named, config.folder)
    except ConfigError as error:
        yield look("agency", str(error), "correct [lot.agency] naming, or leave it out")
        return
    stated = toml_settings(config.folder / "lot.toml", config.source_text).data
    problems = questions.agency_problems(stated, pattern)
    for key, text in problems:
        yield look(
            "agency", f"{'.'.join(str(part) for part in key)}: {text}", "correct it before the hand-in"
        )
    if not problems:
        yield ok("agency", f"name and keys follow {pattern.id}")


def day_items(config: LotConfig, first_utc: np.datetime64, lon_deg: float) -> list[CheckItem]:
    """Look at the day and the zone: the date in the lot's name, the local hour against the sun."""
    moment = config.lot.local(first_utc)
    found = []
    dated = re.search(r"(?<![0-9])(20[0-9]{2})(0[1-9]|1[0-2])([0-3][0-9])(?![0-9])", config.lot.id)
    if dated and "".join(dated.groups()) != f"{moment:%Y%m%d}":
        text = f"the lot is named for {'-'.join(dated.groups())}, its logs begin on {moment:%Y-%m-%d} local"
        found.append(look("day", text, "give the logs of that day, or correct the name"))
    hours = moment.utcoffset().total_seconds() / 3600 - lon_deg / 15  # type: ignore[union-attr]
    if config.lot.time_zone not in ("UTC", "Etc/UTC") and abs((hours + 12) % 24 - 12) > ZONE_HOURS:
        text = f"{config.lot.time_zone} is {hours:+.0f} h from the sun at longitude {lon_deg:.1f}"
        found.append(look("time zone", text, "check [lot] time_zone: local dates and times come from it"))
    return found or [ok("day", f"logs begin {moment:%Y-%m-%d %H:%M} local")]
