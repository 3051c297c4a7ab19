"""Thermal profiles of two results: which is which, whose class changed, and for which causes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from ...delivery import Sentence, tell, together
from ...findings.classes import INSUFFICIENT, class_rank
from .nouns import Part, Side, counted, same
from .tally import VERDICTS, ProfileCounts

RULE_KEYS = {  # beginnings of keys, and what a change of one is as a cause
    "rules.classes": "the rule's limits changed",
    "rules.statistic": "the rule's statistic changed",
    "lot.laydown_target": "the laydown target changed",
}
SHOWN = {
    "profile": "profile_id", "station_from_m": "station_from_m", "station_to_m": "station_to_m",
    "class": "profile_class", "differential_delta_c": "differential_delta_c", "coverage_frac": "coverage_frac",
    "borderline": "borderline",
}  # fmt: skip
NUMBERS = (
    "differential_delta_c",
    "low_c",
    "high_c",
    "coverage_frac",
    "share_cold_frac",
)  # what a class stands on
COVERAGE = "rules.profile.minimum_coverage"


@dataclass(frozen=True, eq=False, slots=True)
class _Pair:
    """A profile of the old result and the one that holds most of its readings in the new; rows -1 = none."""

    rows: tuple[int, int]
    old: pd.Series | None
    new: pd.Series | None


def profiles_part(old: Side, new: Side, counts: ProfileCounts, keys: list[str]) -> Part:
    """Name every profile with another class, and count the others that changed; `keys` are those that changed."""
    pairs = list(_pairs(old.frames["profiles"], new.frames["profiles"], counts))
    rows = [_row(pair, old, new, counts, keys) for pair in pairs]
    classed = [row for row in rows if row["became"] != "same"]
    shifted = [row for row in rows if row["became"] == "same" and row["causes"]]
    near = [
        row
        for row in rows
        if row["became"] == "same" and not same(row["borderline_old"], row["borderline_new"])
    ]
    numbers = {"old": len(old.frames["profiles"]), "new": len(new.frames["profiles"]), "class_changed": len(classed),
               "differential_changed": len(shifted), "borderline_changed": len(near)}  # fmt: skip
    lines = [_line(row, old, new) for row in (*classed, *shifted)]
    lines += [
        f"profile {row['profile_new']} is {'' if row['borderline_new'] else 'no longer '}borderline now"
        for row in near
    ]
    first = f"{len(classed)} of {counted(len(rows), 'profile')} with another class" if classed else (
        f"the same class in all {counted(len(rows), 'profile')}" + (f", {len(shifted)} with other numbers" if shifted
                                                                    else ""))  # fmt: skip
    return Part(
        "profiles", bool(classed or shifted or near), (first, *lines), numbers, tuple(rows), bool(classed)
    )


def _pairs(old: pd.DataFrame, new: pd.DataFrame, counts: ProfileCounts) -> Iterator[_Pair]:
    """Match profiles by the readings that they have in common; those without any by their number."""
    common = counts.common[:-1, :-1]
    to: dict[int, int] = {}
    for i, j in zip(*np.nonzero(common), strict=True):
        if common[i, j] == common[i].max() and common[i, j] == common[:, j].max() and i not in to:
            to[int(i)] = int(j)
    for i in range(len(old)):
        if i in to or counts.common[i].any() or counts.gone[i]:
            continue
        alike = [j for j in range(len(new)) if j not in to.values() and not counts.common[:, j].any()
                 and new["profile_id"].iloc[j] == old["profile_id"].iloc[i]]  # fmt: skip
        if alike:
            to[i] = alike[0]
    for i in range(len(old)):
        j = to.get(i, -1)
        yield _Pair((i, j), old.iloc[i], None if j < 0 else new.iloc[j])
    for j in sorted(set(range(len(new))) - set(to.values())):
        yield _Pair((-1, j), None, new.iloc[j])


def _row(pair: _Pair, old: Side, new: Side, counts: ProfileCounts, keys: list[str]) -> dict[str, Any]:
    """One profile with both its versions and the causes of what changed."""
    row = {
        f"{word}_{end}": None if item is None else item[column]
        for end, item in (("old", pair.old), ("new", pair.new))
        for word, column in SHOWN.items()
    }
    if pair.old is None or pair.new is None:
        return row | {"became": "gone" if pair.new is None else "added", "causes": []}
    changed = pair.old["profile_class"] != pair.new["profile_class"]
    moved = [name for name in NUMBERS if not same(pair.old[name], pair.new[name])]
    causes = _causes(pair, (old, new), counts, keys) if changed or moved else []
    return row | {"became": "other class" if changed else "same", "causes": causes}


def _causes(pair: _Pair, sides: tuple[Side, Side], counts: ProfileCounts, keys: list[str]) -> list[str]:
    """What made a profile's numbers or class other ones, the decisive first."""
    both = [item for item in (pair.old, pair.new) if item is not None]
    found: list[str] = []
    if any(key.startswith("rules.classes") for key in keys):
        by_old = _class_word(float(both[1]["differential_delta_c"]), sides[0].config["rules"])
        if by_old is None or by_old != both[1]["profile_class"]:
            found.append(_limits(*sides, by_old))
    found += _coverage(both, sides, keys)
    if any(not same(both[0][name], both[1][name]) for name in NUMBERS):
        found += [text for start, text in RULE_KEYS.items()
                  if start != "rules.classes" and any(key.startswith(start) for key in keys)]  # fmt: skip
        found += _of_readings(pair.rows, counts)
    return found or ["not told by readings, cut or rule: another version may compute it otherwise"]


def _class_word(differential_delta_c: float, rules: dict[str, Any]) -> str | None:
    """Class of a differential by a rule; None where it has none, or the rule judges shares."""
    classes = rules["classes"]
    if not np.isfinite(differential_delta_c) or classes["rounded_to_delta_c"] is None:
        return None
    words = [SimpleNamespace(**word) for word in classes["words"]]
    stated = SimpleNamespace(**(classes | {"words": words, "is_share": False}))
    return words[class_rank(differential_delta_c, stated)].word  # type: ignore[arg-type]


def _limits(old: Side, new: Side, by_old: str | None) -> str:
    """Say which limits are others, and the class by the old ones."""
    text = together(
        [RULE_KEYS["rules.classes"], *(f": {by_old} by the old ones," for _ in [0] if by_old)], ""
    )
    ends = []
    for side in (old, new):
        words = side.config["rules"]["classes"]["words"]
        ends.append(
            {word["word"]: word["up_to_delta_c"] for word in words if word["up_to_delta_c"] is not None}
        )
    told = [
        tell("{word} ended at {was_delta_c:.1f}, ends at {is_delta_c:.1f}", word=word, was_delta_c=ends[0][word],
             is_delta_c=limit)
        for word, limit in ends[1].items() if word in ends[0] and not same(ends[0][word], limit)
    ]  # fmt: skip
    return together([text, *told]) if told else text


def _coverage(both: list[pd.Series], sides: tuple[Side, Side], keys: list[str]) -> list[str]:
    """Say what the coverage was and is, where it decides whether a profile is classed."""
    if sum(item["profile_class"] == INSUFFICIENT for item in both) != 1:
        return []
    needed = [side.config["rules"]["profile"]["minimum_coverage_frac"] for side in sides]
    limit = f"{100 * needed[0]:g} % were needed, {100 * needed[1]:g} % are" if COVERAGE in " ".join(keys) else (
        f"{100 * needed[1]:g} % are needed")  # fmt: skip
    covered = [100 * item["coverage_frac"] for item in both]
    return [f"coverage was {covered[0]:.1f} %, is {covered[1]:.1f} %, {limit}"]


def _of_readings(rows: tuple[int, int], counts: ProfileCounts) -> list[str]:
    """Causes that lie in the readings of a pair of profiles."""
    i, j = rows
    found = []
    elsewhere = int(counts.common[i].sum() + counts.common[:, j].sum() - 2 * counts.common[i, j])
    if elsewhere:
        found.append(f"the cut moved: {counted(elsewhere, 'reading')} came from or went to other profiles")
    verdicts = {key[2:]: count for key, count in counts.verdicts.items() if key[:2] == (i, j)}
    for (was, now), count in sorted(verdicts.items(), key=lambda item: -item[1]):
        if was == 0:
            found.append(f"{counted(count, 'reading')} left out now ({VERDICTS[now]})")
        elif now == 0:
            found.append(f"{counted(count, 'reading')} kept now that {'was' if count == 1 else 'were'} left out "
                         f"({VERDICTS[was]})")  # fmt: skip
    for count, word in ((counts.gone[i], "gone"), (counts.added[j], "new")):
        if count:
            found.append(f"{counted(int(count), 'reading')} {'is' if count == 1 else 'are'} {word}")
    if counts.warmer[i, j]:
        found.append(f"{counted(int(counts.warmer[i, j]), 'kept reading')} with another temperature")
    if counts.recelled[i, j]:
        found.append(
            f"{counted(int(counts.recelled[i, j]), 'kept reading')} in another cell of the statistic"
        )
    return found


def _line(row: dict[str, Any], old: Side, new: Side) -> Sentence | str:
    """Say what became of one profile."""
    end, side = ("new", new) if row["profile_new"] is not None else ("old", old)
    where = "{} to {}".format(*(side.labels.text(row[f"station_{what}_m_{end}"]) for what in ("from", "to")))
    if row["became"] in ("gone", "added"):
        word = "is gone, it was" if end == "old" else "is new,"
        return tell("profile {id} ({where}) {word} {cls}", id=row[f"profile_{end}"], where=where, word=word,
                    cls=row[f"class_{end}"])  # fmt: skip
    number = f"{row['profile_old']}" if row["profile_old"] == row["profile_new"] else (
        f"{row['profile_old']}, now {row['profile_new']},")  # fmt: skip
    before, after = (_amount(row[f"differential_delta_c_{when}"]) for when in ("old", "new"))
    amounts = tell("{after} in both", after=after) if before == after else (
        tell("was {before}, is {after}", before=before, after=after))  # fmt: skip
    alike = row["became"] == "same"
    text = tell(
        "profile {number} ({where}): {classes}, differential {amounts}{near}; ",
        number=number, where=where, amounts=amounts,
        classes=f"{row['class_new']} in both" if alike else f"was {row['class_old']}, is {row['class_new']}",
        near=", borderline" if pd.notna(row["borderline_new"]) and row["borderline_new"] and not alike else "",
    )  # fmt: skip
    return together([text, together(row["causes"], "; ")], "")


def _amount(differential_delta_c: float) -> str:
    if differential_delta_c is None or not np.isfinite(differential_delta_c):
        return "none"
    return tell("{differential_delta_c:.2f}", differential_delta_c=differential_delta_c)
