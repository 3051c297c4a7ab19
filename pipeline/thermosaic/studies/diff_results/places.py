"""Where readings lie and stand: shifts along and across travel, stations, verdicts, temperatures."""

from __future__ import annotations

import numpy as np

from ...delivery import LONGEST_SHORT_M, Sentence, tell, together
from .nouns import Part, Side, counted
from .tally import VERDICTS, ReadingChanges

STILL_M = 1e-6  # a place that moved by less did not move; a map of its own brings rounding of its own
STILL_ON_MAP_M = 1e-3
LEAST_TOLD_M = 0.5e-3  # a station that moves by less stays: labels have hundredths
SIGMAS = 2.0


def positions_part(found: ReadingChanges, refused: str, operation: str) -> Part:
    """How far the readings in both moved, and what that is against their stated sigma.

    `refused` says why the new places cannot be brought onto the old one's map, `operation` how they were.
    """
    if refused:
        return Part("positions", True, (f"not compared: {refused}",), {"compared": False})
    still_m = STILL_ON_MAP_M if operation else STILL_M
    moved = found.moved_m[found.moved_m > still_m]
    numbers = {"compared": True, "readings": found.common, "moved": len(moved), "operation": operation or None,
               "placed_otherwise": found.placed_otherwise}  # fmt: skip
    how = [] if not operation else [f"the new places were brought onto the older map by {operation}"]
    if found.placed_otherwise:
        how.append(
            f"{counted(found.placed_otherwise, 'reading')} placed by fixes in one and by wheel in the other"
        )
    if not len(moved):
        return Part(
            "positions", bool(found.placed_otherwise or operation), (_still(found.common), *how), numbers
        )
    numbers |= _shift_numbers(found)
    first = tell(
        "{count} readings moved: on average {mean}, 95 % within {p95}, at most {most}",
        count=f"all {len(moved):,}" if len(moved) == found.common else f"{len(moved):,} of {found.common:,}",
        **{word: _length(numbers[f"{name}_m"]) for word, name in (("mean", "mean"), ("p95", "p95"), ("most", "max"))},
    )  # fmt: skip
    return Part("positions", True, (first, *_ways(numbers), *how), numbers)


def _length(length_m: float, sign: str = "") -> Sentence:
    """Write a shift: to a tenth of a millimetre under half a metre, else to a centimetre.

    >>> _length(0.1016), _length(30.48, "+")
    ('101.6 mm', '+30.48 m')
    """
    form = f"{sign}.1fmm" if abs(length_m) < LONGEST_SHORT_M else f"{sign}.2f"
    return tell("{shift_m:" + form + "}", shift_m=length_m)


def _still(count: int) -> str:
    return f"the {counted(count, 'reading')} in both lie where they lay" if count else "no reading is in both"


def _shift_numbers(found: ReadingChanges) -> dict[str, float]:
    """Mean, 95th percentile and largest of the shift, its parts with their sign, and its size in sigmas."""
    numbers = {"mean_m": found.moved_m.mean(dtype=float), "p95_m": np.percentile(found.moved_m, 95),
               "max_m": found.moved_m.max()}  # fmt: skip
    for name, values in (("along", found.along_m), ("across", found.across_m)):
        known = values[np.isfinite(values)]
        size = np.abs(known)
        numbers |= {
            f"{name}_mean_m": known.mean(dtype=float) if len(known) else np.nan,
            f"{name}_p95_m": np.percentile(size, 95) if len(known) else np.nan,
            f"{name}_max_m": known[np.argmax(size)] if len(known) else np.nan,
        }
    sigmas = found.in_sigmas[np.isfinite(found.in_sigmas)]
    numbers["sigmas_p50"] = np.median(sigmas) if len(sigmas) else np.nan
    numbers["beyond_sigmas_frac"] = np.mean(sigmas > SIGMAS) if len(sigmas) else np.nan
    return {key: float(value) for key, value in numbers.items()}


def _ways(numbers: dict[str, float]) -> list[str]:
    """Parts of the shift along and across travel, and beside the stated sigma."""
    said = []
    for name, ahead, behind in (("along", "ahead", "back"), ("across", "right", "left")):
        mean_m = numbers[f"{name}_mean_m"]
        if np.isfinite(mean_m):
            most_m = numbers[f"{name}_max_m"]
            said.append(tell(
                "{name} travel: mean {mean} {way}, 95 % within {p95}, at most {most} {far}", name=name,
                mean=_length(abs(mean_m)), way=ahead if mean_m >= 0 else behind,
                p95=_length(numbers[f"{name}_p95_m"]), most=_length(abs(most_m)), far=ahead if most_m >= 0 else behind,
            ))  # fmt: skip
    if np.isfinite(numbers["sigmas_p50"]):
        said.append(
            f"against the stated sigma of the older: {numbers['sigmas_p50']:.1f} sigmas typically, "
            f"{100 * numbers['beyond_sigmas_frac']:.0f} % of the readings by more than {SIGMAS:g}"
        )
    return said


def stations_part(old: Side, new: Side, found: ReadingChanges) -> Part:
    """How far stations, offsets and labels moved."""
    numbers = {
        f"{name}_{what}_m": value
        for name, ends in (("station", found.station_m), ("offset", found.offset_m))
        for what, value in zip(("min", "mean", "max"), ends, strict=True)
    }
    said = []
    for name, (low, mean, high) in (("stations", found.station_m), ("offsets", found.offset_m)):
        if not max(abs(low), abs(high)) >= LEAST_TOLD_M:
            continue
        spread = "everywhere"
        if high - low >= 1e-3:
            spread = tell("({low} to {high})", low=_length(low, "+"), high=_length(high, "+"))
        said.append(tell("{name} move by {mean} {spread}", name=name, mean=_length(mean, "+"), spread=spread))
    if old.labels != new.labels:
        said.append(f"labels are written otherwise: by {old.labels.unit}, now by {new.labels.unit}")
    first = together(said, ", and ") if said else "stations, offsets and labels stay"
    return Part("stations", bool(said), (first,), numbers)


def readings_part(found: ReadingChanges) -> Part:
    """Readings in one only, and those that are kept in one and left out, or for another reason, in the other."""
    rows = [
        {"old": VERDICTS[i], "new": VERDICTS[j], "readings": int(found.verdicts[i, j])}
        for i, j in zip(*np.nonzero(found.verdicts), strict=True)
    ]
    changed = sorted((row for row in rows if row["old"] != row["new"]), key=lambda row: -row["readings"])
    gone, added = int(found.gone.sum()), int(found.added.sum())
    numbers = {
        "rows_old": found.counts[0], "rows_new": found.counts[1], "in_both": found.common, "gone": gone, "added": added,
        "kept_no_longer": int(found.verdicts[0, 1:].sum()), "kept_only_now": int(found.verdicts[1:, 0].sum()),
        "gone_by_verdict": _named(found.gone), "added_by_verdict": _named(found.added),
    }  # fmt: skip
    if not (changed or gone or added):
        first = f"the same {counted(found.counts[1], 'reading')}, kept and left out as before"
        return Part("readings", False, (first,), numbers, tuple(rows))
    said = [f"{numbers['kept_no_longer']:,} kept before are left out now",
            f"{numbers['kept_only_now']:,} left out before are kept now",
            f"{gone:,} are gone", f"{added:,} are new"]  # fmt: skip
    first = ", ".join(text for text in said if not text.startswith("0 ")) or "left out for other reasons"
    lines = [
        f"{row['readings']:,} {_verdict(row['old'])} before, {_verdict(row['new'])} now" for row in changed
    ]
    lines += [f"{count:,} {_verdict(word)} are gone" for word, count in _named(found.gone).items()]
    lines += [f"{count:,} {_verdict(word)} are new" for word, count in _named(found.added).items()]
    return Part("readings", True, (first, *lines), numbers, tuple(rows))


def _verdict(word: str) -> str:
    return word if word == "kept" else f"left out ({word})"


def _named(counts: np.ndarray) -> dict[str, int]:
    return {word: int(count) for word, count in zip(VERDICTS, counts, strict=True) if count}


def temperatures_part(found: ReadingChanges) -> Part:
    """Temperatures of readings in both."""
    count, mean, most = found.warmer_delta_c
    numbers = {"readings": count, "mean_delta_c": mean, "largest_delta_c": most}
    if not count:
        return Part("temperatures", False, ("every reading in both has the same temperature",), numbers)
    first = tell(
        "{count} readings have another temperature: on average {mean_delta_c:+.2f}, at most {most_delta_c:+.2f}",
        count=f"{count:,}", mean_delta_c=mean, most_delta_c=most,
    )  # fmt: skip
    return Part("temperatures", True, (first,), numbers)
