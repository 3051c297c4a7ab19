"""The three logs of a lot, each by its format file: scan lines, fixes, wheel, with the balance of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ... import model
from ...config import ClockSets, LogFormat
from ...errors import InputError
from ..sources import check_file
from .decimal_marks import naming_decimal_mark
from .fixes import finish_fixes, read_fix_table
from .nmea import read_nmea
from .rows import count_parquet_rows, read_layout
from .scans import ScanRows, bad_reading_frac, read_scan_rows
from .tallies import Ledger, require_share
from .wheels import WheelRows, finish_wheel, read_wheel_rows


def read_scan(
    paths: tuple[Path, ...],
    log_format: LogFormat,
    rejected_frac: float = 1.0,
    of_mat: bool = True,
    sets: ClockSets = (),
) -> tuple[ScanRows, model.Tally]:
    """Read a scan log, files in order as one log; without `of_mat` it may be of cold ground.

    Where its clock was set (`sets`, as `LotConfig.clock_sets` gives them), times are on the clock of its beginning.

    Raises
    ------
    InputError
        A file that cannot be read or has other columns, too many rejected rows or readings, a wrong unit.
    """
    for path in paths:
        check_file(path)
    with naming_decimal_mark(paths[0], log_format):
        return _read_scan(paths, log_format, rejected_frac, of_mat, sets)


def _read_scan(
    paths: tuple[Path, ...], log_format: LogFormat, rejected_frac: float, of_mat: bool, sets: ClockSets
) -> tuple[ScanRows, model.Tally]:
    rows, ledger = read_scan_rows(paths, log_format, of_mat, sets)
    tally = ledger.close()
    require_share(tally, paths[0].name, rejected_frac)
    bad = bad_reading_frac(ledger, rows.temp_c.size)
    if bad > rejected_frac:
        first = tally.notes["readings_first_line"]
        line = first.get("bad_number", first.get("impossible"))
        raise InputError(
            f"{paths[0].name}:{line}: {100 * bad:.0f} % of the readings are no numbers or no temperatures of a road: "
            f"at most {100 * rejected_frac:.0f} % are accepted: check decimal mark and missing marks of the format"
        )
    return rows, tally


def read_fixes(
    paths: tuple[Path, ...], log_format: LogFormat, crs: str, rejected_frac: float = 1.0
) -> tuple[model.Fixes, tuple[model.Tally, ...], tuple[model.Doubt, ...]]:
    """Read a log of fixes, NMEA 0183 or table; of NMEA the sentences have a balance of their own.

    Raises
    ------
    InputError
        No position, no date, or more rejected than `rejected_frac`.
    """
    for path in paths:
        check_file(path)
    name, tallies = paths[0].name, []
    if log_format.container == "nmea":
        rows, sentences = read_nmea(paths, log_format.checksums == "required")
        tallies = [sentences.close()]
        require_share(tallies[0], name, rejected_frac)
        ledger = Ledger("fixes", read=len(rows.line))
    else:
        rows, ledger = read_fix_table(paths, log_format)
    with naming_decimal_mark(paths[0], log_format):
        fixes, doubts = finish_fixes(rows, ledger, crs, name)
        tallies.append(ledger.close())
        require_share(tallies[-1], name, rejected_frac)
    return fixes, tuple(tallies), tuple(doubts)


def read_wheel(
    paths: tuple[Path, ...],
    log_format: LogFormat,
    per_count_m: float | None,
    rejected_frac: float = 1.0,
    of_scan: WheelRows | None = None,
    sets: ClockSets = (),
) -> tuple[model.Wheel, model.Tally, tuple[model.Doubt, ...]]:
    """Read a wheel's own log, on one clock as a scan is, or take the wheel column of a scan that was read.

    Raises
    ------
    ConfigError
        Counts without their length.
    InputError
        No usable row, or more rejected than `rejected_frac`.
    """
    if of_scan is None:
        for path in paths:
            check_file(path)
        rows, ledger = read_wheel_rows(paths, log_format, sets)
    else:
        rows, ledger = of_scan, Ledger("wheel", read=len(of_scan.line))
    with naming_decimal_mark(paths[0], log_format):
        wheel, doubts = finish_wheel(rows, ledger, paths[0].name, per_count_m, log_format.counter_bits)
        tally = ledger.close()
        require_share(tally, paths[0].name, rejected_frac)
    return wheel, tally, tuple(doubts)


def count_spots(path: Path, log_format: LogFormat) -> int:
    """Count the spot columns of a scan log from its header."""
    check_file(path)
    return len(read_layout(path, log_format).spots)


def count_rows(paths: tuple[Path, ...], log_format: LogFormat) -> int:
    """Count the rows of a log quickly, header and blank lines of text included."""
    if log_format.container == "parquet":
        return sum(count_parquet_rows(path) for path in paths)
    return sum(_count_lines(path) for path in paths)


def _count_lines(path: Path) -> int:
    count = 0
    with path.open("rb") as file:
        while block := file.read(1 << 24):
            data = np.frombuffer(block, np.uint8)
            count += int(np.count_nonzero(data == 10))
    return count
