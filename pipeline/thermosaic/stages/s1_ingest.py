"""Stage 1: everything that the lot folder holds, read, counted and held against each other.

Nothing is placed here. The clock of the scanner stays as it is; only whether the logs belong to the
same hours is asked, and a likely reason named where they do not.
"""

from __future__ import annotations

from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np

from .. import model
from ..config import SIDE_FILES, EvidenceFile, LotConfig, PassSection, ScannerPart, ScannerSection
from ..delivery import tell
from ..errors import ConfigError, InputError, MismatchError
from ..files import alignment, side_files, sources, vectors
from ..files.catalogue import load_evidence
from ..files.logs import reading as logs
from ..files.logs import times
from ..files.logs.scans import ScanRows
from ..kernels import scanners
from ..kernels.scan_geometry import on_mat, spot_pitches
from ..model import Alignment, Doubt, Exclusion, Fixes, LotInputs, Pass, ScanLog, Source, Tally, Wheel
from ..units import parse_quantity
from ..values import duration, instant

MOST_READINGS = 20_000_000  # on the mat: three gigabytes of nouns
LOGS = ("scan", "fixes", "wheel")


def read_lot(config: LotConfig, of_mat: bool = True) -> LotInputs:
    """Read all inputs of a lot; without `of_mat` its scan may be of cold ground, as in a drive to check the rig.

    Raises
    ------
    InputError
        A file that cannot be used, mostly rejected rows, mostly autonomous fixes, too many readings.
    MismatchError
        Logs that do not overlap in time, or another number of spots than stated.
    """
    with ThreadPoolExecutor(1) as aside:
        return _read_all(config, of_mat, aside)


def _read_all(config: LotConfig, of_mat: bool, aside: Executor) -> LotInputs:
    """Read the logs side by side: the fixes while the scan is parsed, digests again while places are read."""
    held = read_sources(config)
    _require_size(config)
    fixes_read = aside.submit(
        logs.read_fixes,
        config.files.fixes, config.fixes_format, config.crs.fixes, config.accept.rejected_frac,
    )  # fmt: skip
    rows, scan_tally = logs.read_scan(
        config.files.scan, config.scan_format, config.accept.rejected_frac, of_mat, config.clock_sets
    )
    scan = scan_log(rows, config)
    scan, more_tallies, more_doubts = join_scanners(scan, config, of_mat)
    scan, said = _with_correction(scan, config)
    fixes, fix_tallies, fix_doubts = fixes_read.result()
    wheel, wheel_tally, wheel_doubts = _read_wheel(config, rows)
    _require_counts(wheel, config)
    _require_quality(fixes, config.accept.autonomous_frac, config.files.fixes[0].name)
    _require_overlap(scan, fixes, wheel, config)
    unchanged = [aside.submit(sources.confirm_unchanged, *item) for item in held if item[1].role in LOGS]
    line, exclusions, place_tallies, operations, place_doubts = _read_places(config, fixes)
    side, side_tallies, side_doubts = _read_side_files(config, fixes, operations)
    unchanged += [aside.submit(sources.confirm_unchanged, *item) for item in held if item[1].role not in LOGS]
    for confirmed in unchanged:
        confirmed.result()
    return LotInputs(
        scan=scan,
        fixes=fixes,
        wheel=wheel,
        alignment=line,
        passes=tuple(_pass_of(item, config) for item in config.passes or (PassSection(id="1"),)),
        exclusions=exclusions,
        sources=tuple(source for _, source in held),
        tallies=(scan_tally, *more_tallies, *fix_tallies, wheel_tally, *place_tallies, *side_tallies),
        operations=tuple(operations),
        doubts=(*rows.doubts, *more_doubts, *said, *fix_doubts, *wheel_doubts, *place_doubts, *side_doubts),
        **side,
    )


def read_sources(config: LotConfig) -> list[tuple[Path, Source]]:
    """Digest every input before it is read."""
    files = config.files
    single = {role: getattr(files, role) for role in ("alignment", "exclusions", *SIDE_FILES)}
    named = [(role, path) for role in LOGS for path in getattr(files, role)]
    named += [("scan", path) for part in config.scanners[1:] for path in part.file]
    named += [(role, path) for role, path in single.items() if path is not None]
    named += [("correction", path) for _, path in _corrections(config)]
    return [(path, sources.read_source(path, role, config.folder)) for role, path in named]


# ------------------------------------------------------------------------------------------------ the scan


def spot_centres(scanner: ScannerSection, spots: int, name: str) -> np.ndarray:
    """Resolve the stated spots for so many columns: (spot) centres right of C, in column order, m."""
    try:
        return scanner.centres_m(spots)
    except ValueError as error:
        raise MismatchError(f"{name} has {spots} spot columns, [scanner] spots_right {error}") from None


def scan_log(rows: ScanRows, config: LotConfig) -> ScanLog:
    """Join the rows of the (first) scan log with the stated places of its spots."""
    return _scan_log(rows, config.scanner, config.files.scan[0].name)


def _scan_log(rows: ScanRows, scanner: ScannerSection, name: str) -> ScanLog:
    centres = spot_centres(scanner, rows.temp_c.shape[1], name)
    steps = np.diff(centres)
    if len(centres) < 2 or not (np.all(steps > 0) or np.all(steps < 0)):
        raise ConfigError(
            f"[scanner] spots_right: {name} has {len(centres)} spot columns, and the stated centres do not "
            "run in one direction across the mat: state the first and the last centre"
        )
    return ScanLog(rows.time_utc, rows.line, rows.temp_c, centres)


def join_scanners(
    first: ScanLog, config: LotConfig, of_mat: bool = True
) -> tuple[ScanLog, list[Tally], list[Doubt]]:
    """Put the other scanners' readings beside the first's, on its lines and its clock."""
    if not config.scanners:
        return first, [], []
    tallies, doubts = [], []
    temps, centres = [first.temp_c], [first.spot_right_m]
    for part in config.scanners[1:]:
        rows, tally = logs.read_scan(
            part.file, config.scan_format, config.accept.rejected_frac, of_mat, config.clock_sets
        )
        own = _scan_log(rows, ScannerSection.model_construct(spots_right=part.spots_right), part.file[0].name)
        temp, share = _on_lines(own, first, part, config)
        if share < 1:
            text = (
                f"{100 * share:.1f} % of the lines of scanner {config.scanners[0].id} have a row of scanner {part.id} "
                "within half a step of time: the others hold no reading of it"
            )
            doubts.append(Doubt("s1", "scanner_rows_missing", text, share, "share"))
        temps.append(temp)
        centres.append(own.spot_right_m)
        tallies.append(tally)
        doubts += rows.doubts
    kept, of_overlap = _give_way(temps, centres, config)
    return _side_by_side(first, temps, centres, kept, config), tallies, doubts + of_overlap


def _on_lines(own: ScanLog, first: ScanLog, part: ScannerPart, config: LotConfig) -> tuple[np.ndarray, float]:
    """Readings of another scanner on the first one's lines, and the share of lines that have a row of it."""
    shared_s = config.scanners[0].clock_offset_s
    offsets = [
        config.rig.clock_offset_s if own_s is None else own_s for own_s in (part.clock_offset_s, shared_s)
    ]
    ahead = duration(0 if "auto" in offsets else offsets[0] - offsets[1])
    row = scanners.nearest_rows(first.time_utc.astype(np.int64), (own.time_utc - ahead).astype(np.int64))
    if not (row >= 0).any():
        raise MismatchError(
            f"{part.file[0].name} is dated {_span(own.time_utc)}, the first scanner {_span(first.time_utc)}: give "
            "logs of the same hours, or state clock_offset of each [[scanner]]"
        )
    temp = np.where((row >= 0)[:, None], own.temp_c[row], np.float32(np.nan))
    return temp, float((row >= 0).mean())


def _give_way(
    temps: list[np.ndarray], centres: list[np.ndarray], config: LotConfig
) -> tuple[list[np.ndarray], list[Doubt]]:
    """Columns of each scanner that count, and what the overlaps say."""
    kept, doubts = [np.ones(len(right_m), bool) for right_m in centres], []
    for one, other in permutations(range(len(centres)), 2):
        seen = scanners.seen_by(centres[other], spot_pitches(centres[one]))
        if not seen.any():
            continue
        winner, loser = config.scanners[one], config.scanners[other]
        if winner.wins_overlap == loser.wins_overlap:
            raise ConfigError(
                f"[[scanner]]: {winner.id} and {loser.id} see the same mat: state wins_overlap = true for the one "
                "whose readings count there"
            )
        if not winner.wins_overlap:
            continue
        mean_c, count = scanners.overlap_difference(
            temps[other][:, seen], centres[other][seen], temps[one], centres[one]
        )
        text = tell(
            "where scanners {winner} and {loser} see the same mat, {loser} reads {off_delta_c:+.1f} against {winner} "
            "({count} readings of {columns} columns); {winner} counts there: compare both with a thermometer where "
            "that is more than they are good for",
            winner=winner.id, loser=loser.id, off_delta_c=mean_c, count=count, columns=int(seen.sum()),
        )  # fmt: skip
        doubts.append(Doubt("s1", "scanners_overlap", text, mean_c, "degC of difference"))
        kept[other] &= ~seen
    return kept, doubts


def _side_by_side(
    first: ScanLog,
    temps: list[np.ndarray],
    centres: list[np.ndarray],
    kept: list[np.ndarray],
    config: LotConfig,
) -> ScanLog:
    """One line of spots from several, from left to right."""
    right_m = np.concatenate([values[keep] for values, keep in zip(centres, kept, strict=True)])
    order = np.argsort(right_m)
    origin = [
        (part.id, int(column) + 1)
        for part, keep in zip(config.scanners, kept, strict=True)
        for column in np.flatnonzero(keep)
    ]
    temp_c = np.concatenate([values[:, keep] for values, keep in zip(temps, kept, strict=True)], axis=1)
    return ScanLog(
        first.time_utc,
        first.line,
        np.ascontiguousarray(temp_c[:, order]),
        right_m[order],
        tuple(origin[place] for place in order),
    )


def _corrections(config: LotConfig) -> list[tuple[str | None, Path]]:
    """Evidence named as a correction, with the scanner it belongs to (None = the only one)."""
    if not config.scanners:
        return [] if config.scanner.correction is None else [(None, config.scanner.correction)]
    return [(part.id, part.correction) for part in config.scanners if part.correction is not None]


def _with_correction(scan: ScanLog, config: LotConfig) -> tuple[ScanLog, list[Doubt]]:
    """Add the bias that an evidence of the thermometer states for each spot, or for all of them together.

    Raises
    ------
    ConfigError
        The file is evidence of something else.
    """
    named = _corrections(config)
    if not named:
        return scan, []
    bias, doubts = np.zeros(len(scan.spot_right_m)), []
    columns = scan.origin or tuple((None, spot) for spot in range(1, len(bias) + 1))
    day = config.lot.local(scan.time_utc[0]).date()
    for scanner, path in named:
        evidence = load_evidence(path)
        if evidence.subject != "thermometer":
            raise ConfigError(
                f"[scanner] correction: {path.name} is evidence of the {evidence.subject}, not of the thermometer: "
                "name the file that `thermosaic rig thermometer` wrote"
            )
        overall, by_spot = (
            parse_quantity(evidence.measured, "temperature difference"),
            evidence.spot_bias_delta_c,
        )
        mine = [at for at, (name, _) in enumerate(columns) if name == scanner]
        bias[mine] = [by_spot.get(columns[at][1], overall) for at in mine]
        doubts += _correction_doubts(path.name, evidence, bias[mine], day)
    return replace(scan, correction_delta_c=bias), doubts


def _correction_doubts(name: str, evidence: EvidenceFile, bias: np.ndarray, day: date) -> list[Doubt]:
    """Say that readings are corrected and by how much, and whether the evidence holds on that day."""
    known = len(evidence.spot_bias_delta_c)
    text = tell(
        "readings are corrected by {name}: {low_delta_c:.2f} to {high_delta_c:.2f} is taken off ({known} of {spots} "
        "spots by their own bias, the others by the mean of all); spots.parquet keeps the raw readings",
        name=name, low_delta_c=float(bias.min()), high_delta_c=float(bias.max()), known=min(known, len(bias)),
        spots=len(bias),
    )  # fmt: skip
    doubts = [Doubt("s1", "corrected_readings", text, float(bias.mean()), "degC of difference")]
    if not evidence.valid_from <= day <= evidence.valid_to:
        stale = (
            f"{name} is valid {evidence.valid_from} to {evidence.valid_to}, the lot was paved on {day}: its "
            "correction was applied all the same; check the thermometer again"
        )
        doubts.append(Doubt("s1", "correction_stale", stale))
    return doubts


def _require_size(config: LotConfig) -> None:
    """Refuse a lot of too many readings from its row counts, before anything is parsed."""
    columns = logs.count_spots(config.files.scan[0], config.scan_format)
    if columns < 2:
        return
    centres = spot_centres(config.scanner, columns, config.files.scan[0].name)
    used = on_mat(spot_pitches(centres), config.scanner.mat_left_m, config.scanner.mat_right_m)
    rows = logs.count_rows(config.files.scan, config.scan_format)
    readings = rows * int(used.sum())
    if readings > MOST_READINGS:
        raise InputError(
            f"{config.files.scan[0].name}: {rows} lines of {int(used.sum())} spots on the mat are "
            f"{readings / 1e6:.0f} million readings: a lot holds at most {MOST_READINGS / 1e6:.0f} million; "
            "make one lot a day, with that day's files and [lot] limits"
        )


# ------------------------------------------------------------------------------------- the other inputs


def _read_wheel(config: LotConfig, rows: ScanRows) -> tuple[Wheel, Tally, tuple[Doubt, ...]]:
    """Read the wheel's own log if there is one, else take the scan's column."""
    per_count_m, limit = config.rig.wheel_per_count_m, config.accept.rejected_frac
    if config.files.wheel:
        return logs.read_wheel(
            config.files.wheel, config.wheel_format, per_count_m, limit, sets=config.clock_sets
        )
    if rows.wheel is None:
        raise InputError(
            f"{config.files.scan[0].name}: has no wheel_m or wheel_count column, and [files] wheel names no "
            "log: distance is needed"
        )
    return logs.read_wheel(config.files.scan, config.scan_format, per_count_m, limit, rows.wheel)


def _require_counts(wheel: Wheel, config: LotConfig) -> None:
    """Refuse another wheel constant where the log holds metres."""
    constants = {item.rig.wheel_per_count_m for item in config.later} - {config.rig.wheel_per_count_m}
    if constants and not wheel.counted:
        raise ConfigError(
            "[[change]] wheel_per_count: the wheel is logged in metres, not in counts: there is no constant to "
            "change; leave it out, the length is taken from the fixes"
        )


def _read_places(
    config: LotConfig, fixes: Fixes
) -> tuple[Alignment | None, tuple[Exclusion, ...], list[Tally], list[dict[str, Any]], list[Doubt]]:
    """Read alignment and exclusions into the map CRS: both, balances, operations, doubts."""
    frames, files = config.crs.dated(fixes.time_utc[0]), config.files
    line, tallies, operations, doubts = None, [], [], []
    if files.alignment is not None:
        stationing = config.stationing
        line, operation, of_line, tally = alignment.read_alignment(
            files.alignment, stationing.alignment, frames, stationing.start_m
        )
        tallies.append(tally)
        doubts += of_line
        if operation is not None:
            operations.append({"input": "alignment", **operation})
    stretches = tuple(Exclusion(item.reason, item.from_m, item.to_m, item.side) for item in config.exclude)
    if files.exclusions is not None:
        stretches += vectors.read_exclusions(files.exclusions, frames)
    return line, stretches, tallies, operations, doubts


def _read_side_files(
    config: LotConfig, fixes: Fixes, operations: list[dict[str, Any]]
) -> tuple[dict[str, tuple[Any, ...]], list[Tally], list[Doubt]]:
    """Read diary, weather, control and tickets where given: nouns by role, balances, doubts.

    The coordinate operation of the control points is added to `operations`.
    """
    files, limit = config.files, config.accept.rejected_frac
    side: dict[str, tuple[Any, ...]] = {}
    tallies: list[Tally] = []
    doubts: list[Doubt] = []
    for role in SIDE_FILES:
        path, log_format = getattr(files, role), getattr(config, f"{role}_format")
        if path is None:
            continue
        if role == "diary":
            found, tally, said = side_files.read_diary(path, log_format, config.labels, limit)
        elif role == "control":
            frames = config.crs.dated(fixes.time_utc[0])
            found, tally, said, operation = side_files.read_control(path, log_format, frames, limit)
            operations += [{"input": role, **operation}] if operation else []
        else:
            read = side_files.read_weather if role == "weather" else side_files.read_tickets
            found, tally, said = read(path, log_format, limit)
        side[role] = found
        tallies.append(tally)
        doubts += said
    return side, tallies, doubts


def _require_quality(fixes: Fixes, limit_frac: float, name: str) -> None:
    """Stop where more fixes than stated are autonomous: metres, where centimetres are expected."""
    share = float(np.mean(fixes.quality == model.QUALITIES.index("autonomous")))
    if share > limit_frac:
        raise InputError(
            f"{name}: {100 * share:.0f} % of {len(fixes.quality)} fixes are autonomous, good to metres only; at most "
            f"{100 * limit_frac:.0f} % are accepted: check the correction link, or raise [accept] autonomous_frac"
        )


# --------------------------------------------------------------------------------------------- the hours


def _require_overlap(scan: ScanLog, fixes: Fixes, wheel: Wheel, config: LotConfig) -> None:
    """Refuse logs that share no moment, naming their dates and what the difference looks like."""
    offset_s = config.rig.clock_offset_s
    shift = duration(0 if offset_s == "auto" else offset_s)
    ours = scan.time_utc - shift
    others = ((config.files.fixes[0].name, "fixes", fixes.time_utc),)
    if config.files.wheel:
        others += ((config.files.wheel[0].name, "wheel", wheel.time_utc - shift),)
    for name, what, theirs in others:
        if ours[0] <= theirs[-1] and theirs[0] <= ours[-1]:
            continue
        apart_s = float((theirs[0] - ours[0]) / np.timedelta64(1, "s"))
        raise MismatchError(
            f"the {what} log {name} is dated {_span(theirs)}, the scan {config.files.scan[0].name} is dated "
            f"{_span(ours)}{_likely(apart_s)}: give the logs of the same hours, or state [rig] clock_offset; "
            "nothing is shifted unasked"
        )


def _span(time_utc: np.ndarray) -> str:
    first, last = (str(value.astype("M8[s]")) + "Z" for value in (time_utc[0], time_utc[-1]))
    return f"{first} to {last}"


def _likely(apart_s: float) -> str:
    """Name a shift that would bring two logs together: a roll-over, days, hours; empty where none fits."""
    for unit_s in (1024 * 604800, 86400, 3600):
        count = round(apart_s / unit_s)
        if count and abs(apart_s - count * unit_s) <= unit_s / 4 and (unit_s > 3600 or abs(count) <= 14):
            return times.name_step(count * unit_s).replace(",", "; they start apart by about", 1)
    return ""


# -------------------------------------------------------------------------------------------- the passes


def _pass_of(item: PassSection, config: LotConfig) -> Pass:
    from_utc, to_utc = (None if time is None else instant(time) for time in (item.from_, item.to))
    return Pass(
        id=str(item.id),
        lane=item.lane or config.lot.lane,
        from_utc=from_utc,
        to_utc=to_utc,
        direction=item.direction or config.stationing.direction,
        left_edge=item.left_edge,
        right_edge=item.right_edge,
    )
