"""NMEA 0183 logs as rows of fixes: what the sentences say, their dates, and which belong together.

A sentence counts as a whole or not at all. GGA has no date: it takes that of the RMC or ZDA nearest to
it in the log, midnights counted; a log without any is refused. GST, PASHR and HDT give sigma and true
heading; magnetic heading (HDG) and course over ground are never a heading. Heights become ellipsoidal
by the geoid separation in the sentence. Nothing is corrected here: not weeks, not hours, not seconds.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...errors import InputError
from ...kernels import nmea as kernel
from ..sources import refuse, sentence_blocks
from .fixes import FixRows
from .tallies import Ledger

KINDS = ("GGA", "RMC", "GNS", "GST", "ZDA", "HDT", "PASHR", "VTG")
GGA, RMC, GNS, GST, ZDA, HDT, PASHR, VTG = range(len(KINDS))
MOST_ROWS = 30_000_000
WORKERS = 2  # threads that read blocks, so many ahead
DAY_NS = 86_400_000_000_000
NO_TIME, NO_DAY = -1, np.iinfo(np.int32).min

_CODES = np.array([int.from_bytes(name.encode(), "big") for name in KINDS])
_FEWEST = np.array([15, 12, 13, 9, 7, 3, 11, 0])  # fields by kind, the address included
_MOST = np.array([15, 14, 14, 9, 7, 3, 13, 99])
_NO = kernel.FIELDS
_LAYOUT = 3 * np.array(  # fields: time; latitude; two numbers and their units; three more
    [
        [1, 2, 9, 11, 10, 12, 6, _NO, _NO],  # GGA: level, geoid; quality
        [1, 3, _NO, _NO, _NO, _NO, 2, 9, 12],  # RMC: status, date, mode
        [1, 2, 9, 10, _NO, _NO, 6, _NO, _NO],  # GNS: level, geoid; modes
        [1, _NO, 6, 7, _NO, _NO, _NO, _NO, _NO],  # GST: sigma north, east
        [1, _NO, _NO, _NO, _NO, _NO, 2, 3, 4],  # ZDA: day, month, year
        [_NO, _NO, 1, _NO, _NO, _NO, 2, _NO, _NO],  # HDT: heading; T
        [1, _NO, 2, _NO, _NO, _NO, 3, _NO, _NO],  # PASHR: heading; T
        [_NO, _NO, _NO, _NO, _NO, _NO, _NO, _NO, _NO],  # VTG is only counted
    ],
    dtype=np.uint64,
)
# codes 0..9 -> QUALITIES; 3 = PPS, 4 fixed, 5 float
_GGA_QUALITY = np.array([0, 1, 2, 1, 3, 4, 0, 0, 0, 0], np.int8)
_MODES = (("R", 3), ("F", 4), ("D", 2), ("A", 1), ("P", 1))  # best first; letters of NMEA 4.x from memory


# ------------------------------------------------------------------------------------ fields, as columns


class _Field:
    """A raw field of many sentences; count, whole, length and mask have one element where all are alike."""

    def __init__(self, whole: np.ndarray, index: int, rows: np.ndarray | slice) -> None:
        shape = _once(whole[kernel.SHAPE + index, rows])
        self._whole, self._index, self._rows = whole, index, rows
        lead = shape >> kernel.LEAD_SHIFT & 255  # digits before the point
        self.count = lead + (shape & 255)
        self.length = shape >> kernel.LENGTH_SHIFT & 0xFFFF
        self.mask = shape >> kernel.MASK_SHIFT  # of letters

    @property
    def digits(self) -> np.ndarray:
        """All digits as one integer."""
        return self._whole[kernel.DIGITS + self._index, self._rows]

    @property
    def empty(self) -> np.ndarray:
        return self.length == 0

    @property
    def integer(self) -> np.ndarray:
        """Digits, nothing else."""
        return (self.count > 0) & (self.count <= 18) & (self.mask == 0) & (self.count == self.length)

    def letter(self, char: str) -> np.ndarray:
        return (self.length == 1) & (self.mask == 1 << (ord(char) & 31))


def _once(values: np.ndarray) -> np.ndarray:
    """One element where all are equal."""
    return values[:1] if np.all(values == values[0]) else values


# ---------------------------------------------------------------------------------- what a sentence says


@dataclass
class _Rows:
    """Decoded sentences of one block, in order."""

    kind: np.ndarray
    tod_ns: np.ndarray  # of the day; NO_TIME
    day: np.ndarray  # since 1970; NO_DAY
    quality: np.ndarray  # class
    value: np.ndarray  # (3, row): latitude, longitude, height; or sigma, or heading
    malformed: np.ndarray
    leap_second: np.ndarray
    silent: np.ndarray  # well formed, nothing to say


def _decode(whole: np.ndarray, number: np.ndarray) -> _Rows:
    """Decode the sentences of a block, kind by kind; `number` becomes their values."""
    kind, count, time = whole[kernel.KIND], whole[kernel.COUNT], whole[kernel.TIME]
    out = _Rows(
        kind=kind.astype(np.int8),
        tod_ns=np.where(time < 0, NO_TIME, time),
        day=np.full(len(kind), NO_DAY, np.int32),
        quality=np.zeros(len(kind), np.int8),
        value=number[:3],
        malformed=(count < _FEWEST[kind]) | (count > _MOST[kind]) | (time == kernel.BAD_TIME),
        leap_second=time == kernel.LEAP_SECOND,
        silent=kind == VTG,
    )
    sound = np.where(out.malformed, VTG, kind)
    for which in np.flatnonzero(np.bincount(sound, minlength=VTG)[:VTG]):
        rows = _evenly(np.flatnonzero(sound == which))
        raw = [_Field(whole, index, rows) for index in range(3)]
        if which in (GGA, RMC, GNS):
            _decode_position(out, rows, which, number[3, rows], raw, count[rows])
        if which in (RMC, ZDA):
            _decode_date(out, rows, which, raw)
        if which in (GST, HDT, PASHR):
            _decode_measure(out, rows, which, number[3, rows], raw[0])
    timeless = (time < 0) & (kind != HDT) & ~out.silent & ~out.leap_second
    out.malformed |= timeless & ((out.quality > 0) | (kind == GST) | (kind == PASHR))
    return out


def _evenly(rows: np.ndarray) -> np.ndarray | slice:
    """Rows at even steps as a slice, which is read without copying; other rows as they are."""
    if len(rows) < 2:
        return rows
    step = rows[1] - rows[0]
    even = np.all(np.diff(rows) == step)
    return slice(int(rows[0]), int(rows[-1]) + 1, int(step)) if even else rows


def _decode_position(
    out: _Rows, rows: np.ndarray | slice, which: int, geoid: np.ndarray, raw: list[_Field], count: np.ndarray
) -> None:
    """Quality class and position; a sentence without a position needs no fields beyond its quality."""
    quality, sound = _quality(which, raw, count)
    latitude, longitude, level = out.value[:, rows]
    with np.errstate(invalid="ignore"):
        height = level + geoid
    placed = np.isfinite(latitude + longitude) & ~np.isinf(height)
    if which == GNS:
        # one constellation's share of a common fix says nothing
        out.silent[rows] = raw[0].empty & np.isnan(latitude)
    out.value[2, rows] = height
    if not np.all(quality > 0):
        out.value[:, rows] = np.where(quality > 0, out.value[:, rows], np.nan)
    out.quality[rows] = quality
    out.malformed[rows] |= ~(sound & (placed | (quality == 0)))


def _quality(which: int, raw: list[_Field], count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Quality class of GGA (code), GNS (mode letters) or RMC (status and mode), and whether it is sound."""
    if which == GGA:
        sound = raw[0].integer & (raw[0].length == 1)
        return _GGA_QUALITY[np.where(sound, _once(raw[0].digits), 0)], sound
    if which == GNS:
        return _mode(raw[0])
    status, (mode, mode_sound) = raw[0], _mode(raw[2])
    without = (_once(count) < 13) | raw[2].empty
    valid = status.letter("A")
    quality = np.where(valid, np.where(without, np.int8(1), mode), np.int8(0))
    return quality, (valid | status.letter("V")) & (without | mode_sound)


def _mode(letters: _Field) -> tuple[np.ndarray, np.ndarray]:
    """Best class among mode letters, one for each constellation."""
    quality = np.zeros(len(letters.mask), np.int8)
    for char, code in reversed(_MODES):
        quality[(letters.mask >> (ord(char) & 31) & 1) == 1] = code
    return quality, (letters.count == 0) & (letters.mask & 1 == 0)


def _decode_date(out: _Rows, rows: np.ndarray | slice, which: int, raw: list[_Field]) -> None:
    """ddmmyy of an RMC, or day, month, year of a ZDA -> days since 1970; an empty date says nothing."""
    if which == RMC:
        text = raw[1]
        empty, sound = text.empty, text.integer & (text.length == 6)
        digits = _once(text.digits)
        day, month, year = digits // 10000, digits // 100 % 100, digits % 100
        year = year + np.where(year >= 80, 1900, 2000)
    else:
        empty = raw[2].empty
        sound = np.logical_and.reduce(np.broadcast_arrays(*(part.integer for part in raw)))
        day, month, year = (_once(part.digits) for part in raw)
    number, exists = _day_number(year, month, day)
    sound = sound & exists
    out.day[rows] = np.where(sound & ~empty, number, NO_DAY)
    out.malformed[rows] |= ~sound & ~empty
    if which == ZDA:
        out.silent[rows] = empty | ((out.tod_ns[rows] == NO_TIME) & sound)


def _day_number(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Days since 1970-01-01 of dates from 1980 to 2100, and whether there is such a date."""
    sound = (year >= 1980) & (year <= 2100) & (month >= 1) & (month <= 12)
    months = np.where(sound, year - 1970, 0) * 12 + np.where(sound, month, 1) - 1
    first, after = (value.astype("M8[M]").astype("M8[D]").astype(int) for value in (months, months + 1))
    return first + day - 1, sound & (day >= 1) & (day <= after - first)


def _decode_measure(out: _Rows, rows: np.ndarray | slice, which: int, east: np.ndarray, unit: _Field) -> None:
    """One-axis sigma of a GST: root mean square of north and east; true heading of HDT and PASHR."""
    amount = out.value[2, rows]
    if which == GST:
        sound = (amount >= 0) & (east >= 0) & np.isfinite(amount + east)
        amount = np.sqrt((amount**2 + east**2) / 2)
    else:
        sound = unit.letter("T") & (amount >= 0) & (amount <= 360)
    empty = np.isnan(amount)
    out.value[0, rows] = amount
    out.silent[rows] = empty
    out.malformed[rows] |= ~sound & ~empty


# ------------------------------------------------------------------------------------ sentences of a log


@dataclass(frozen=True)
class Sentences:
    """Sound sentences of interest of a whole log, in the order of the file(s)."""

    kind: np.ndarray  # int8, index into KINDS
    line: np.ndarray  # int64, in its file
    tod_ns: np.ndarray  # int64 of the day, NO_TIME
    day: np.ndarray  # int32 since 1970, NO_DAY
    quality: np.ndarray  # int8 class
    value: np.ndarray  # float64 (3, row)


def read_sentences(paths: tuple[Path, ...], need_checksum: bool) -> tuple[Sentences, Ledger]:
    """Read all sentences of a log; the ledger (role `sentences`) counts them and what was rejected."""
    ledger, parts, total = Ledger("sentences"), [], 0
    for path in paths:
        line = 0
        for part in _in_order(lambda block: _read_block(block, need_checksum), sentence_blocks(path)):
            part.count_into(ledger, line)
            part.columns[1] += line
            line += part.lines
            parts.append(part.columns)
            total += len(part.columns[0])
            if total > MOST_ROWS:
                message = f"the log holds over {MOST_ROWS} sentences: give the files of one day"
                raise refuse(path, message, line)
    if not parts:
        raise InputError("no file of fixes was given")
    return Sentences(*(np.concatenate(columns, axis=-1) for columns in zip(*parts, strict=True))), ledger


def _in_order(read: Callable[[Any], Any], blocks: Iterator[Any]) -> Iterator[Any]:
    """Yield `read(block)` for each block in order, a few at a time in threads."""
    with ThreadPoolExecutor(WORKERS) as pool:
        waiting: deque[Any] = deque()
        for block in blocks:
            waiting.append(pool.submit(read, block))
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


@dataclass(frozen=True)
class _Part:
    """What one block holds: columns of `Sentences`, lines and causes counted from its own start."""

    columns: list[np.ndarray]
    lines: int
    sentences: dict[str, int]
    read: int
    rejected: tuple[tuple[str, int, int], ...]  # cause, count, first line

    def count_into(self, ledger: Ledger, before: int) -> None:
        """Add the counts to a ledger; `before` lines of the file precede the block."""
        ledger.read += self.read
        for cause, count, line in self.rejected:
            ledger.rejected[cause] = ledger.rejected.get(cause, 0) + count
            ledger.first_line.setdefault(cause, before + line)
        for name, count in self.sentences.items():
            ledger.note("sentences", name, count)


_BUFFERS = threading.local()


def _buffers(rows: int) -> tuple[np.ndarray, ...]:
    """Return buffers of this thread, large enough; only what is filled takes memory."""
    if not hasattr(_BUFFERS, "arrays") or _BUFFERS.arrays[0].shape[1] < rows:
        whole, number = np.empty((kernel.WHOLES, rows), np.int64), np.empty((kernel.NUMBERS, rows))
        _BUFFERS.arrays = whole, number
    return _BUFFERS.arrays


def _read_block(block: bytes | memoryview, need_checksum: bool) -> _Part:
    """Read and decode one block of lines."""
    counts = np.zeros(len(kernel.CAUSES) + 1, np.int64)
    first = np.zeros(len(kernel.CAUSES), np.int64)
    whole, number = _buffers(len(block) // 8 + 1)
    rows, after = kernel.read_sentences(block, need_checksum, _CODES, _LAYOUT, whole, number, counts, first)
    whole, number = whole[:, :rows], number[:, :rows]
    decoded = _decode(whole, number)
    kind, lines = decoded.kind, whole[kernel.LINE]
    rejected = [
        (name, int(n), int(at)) for name, n, at in zip(kernel.CAUSES, counts, first, strict=False) if n
    ]
    leap_second = decoded.leap_second & ~decoded.malformed
    for name, mask in (("leap_second", leap_second), ("malformed", decoded.malformed)):
        if mask.any():
            rejected.append((name, int(np.count_nonzero(mask)), int(lines[np.argmax(mask)])))
    sound = ~(decoded.malformed | leap_second)
    by_kind = np.bincount(kind[sound], minlength=len(KINDS))
    sentences = {name: int(count) for name, count in zip(KINDS, by_kind, strict=True)}
    kept = np.flatnonzero(sound & ~decoded.silent)
    columns = (kind, lines, decoded.tod_ns, decoded.day, decoded.quality, decoded.value)
    taken = [column.copy() if len(kept) == rows else column[..., kept] for column in columns]
    others = {"other": int(counts[-1]) - rows}
    return _Part(taken, after - 1, sentences | others, int(counts.sum()), tuple(rejected))


# ------------------------------------------------------------------------------- epochs: dates and joins


def read_nmea(paths: tuple[Path, ...], need_checksum: bool) -> tuple[FixRows, Ledger]:
    """Read an NMEA log as rows of fixes, one for each sentence of the kind that gives its positions.

    Parameters
    ----------
    paths : tuple of pathlib.Path
        Files read in order as one log.
    need_checksum : bool
        Reject sentences without a checksum.

    Returns
    -------
    rows : FixRows
        Quality `none` where the sentence holds no position; time NaT only there.
    ledger : Ledger
        Balance of the sentences (role `sentences`).

    Raises
    ------
    InputError
        No position sentence at all, or no RMC or ZDA with a date.
    """
    sentences, ledger = read_sentences(paths, need_checksum)
    name = paths[0].name
    source = _position_kind(sentences, name)
    here = np.flatnonzero(sentences.kind == source)
    time = _absolute_times(sentences, name)
    rows, (latitude, longitude, height) = _evenly(here), sentences.value
    epoch = np.ascontiguousarray(time[rows])
    fixes = FixRows(
        time_utc=epoch,
        lon_deg=np.ascontiguousarray(longitude[rows]),
        lat_deg=np.ascontiguousarray(latitude[rows]),
        height_m=np.ascontiguousarray(height[rows]),
        quality=np.ascontiguousarray(sentences.quality[rows]),
        sigma_m=_at_epoch(sentences, time, GST, epoch),
        heading_deg=_headings(sentences, time, here),
        line=np.ascontiguousarray(sentences.line[rows]),
    )
    ledger.notes["position_sentence"] = KINDS[source]
    return fixes, ledger


def _position_kind(sentences: Sentences, name: str) -> int:
    """Choose the one kind of sentence that positions are taken from: GGA, without any GNS, without any RMC.

    A position is never taken from RMC where GGA stands beside it: RMC does not tell a simulator or dead
    reckoning from a fix in its older forms.
    """
    for which in (GGA, GNS, RMC):
        if np.any(sentences.kind == which):
            return which
    raise InputError(
        f"{name}: holds no GGA, GNS or RMC sentence with a right checksum: is it an NMEA 0183 log?"
    )


def _absolute_times(sentences: Sentences, name: str) -> np.ndarray:
    """Date every sentence: (row) datetime64[ns], NaT where it has no time of day.

    Times of day are first run on over midnights (a fall by more than 12 h is a new day); every dated
    sentence then states the day at which that count began, and each other one takes it from the dated
    sentence that is nearest in time, before or after it in the log.
    """
    known = sentences.tod_ns != NO_TIME
    timed = slice(None) if known.all() else np.flatnonzero(known)
    tod, day = sentences.tod_ns[timed], sentences.day[timed]
    dated = np.flatnonzero(day != NO_DAY)
    if len(dated) == 0:
        raise InputError(
            f"{name}: no RMC or ZDA sentence states a date, and GGA has none: let the receiver send RMC or "
            "ZDA; a date is never taken from elsewhere"
        )
    midnights = _midnights(tod)
    anchor = day[dated] - midnights[dated]
    if np.all(anchor == anchor[0]):
        ns = tod + (midnights + anchor[0]) * DAY_NS
    else:
        days = midnights + anchor[_nearest(tod + midnights * DAY_NS, dated)]
        days[dated] = day[dated]
        ns = tod + days * DAY_NS
    if known.all():
        return ns.view("M8[ns]")
    time = np.full(len(known), np.datetime64("NaT", "ns"))
    time[timed] = ns.view("M8[ns]")
    return time


def _midnights(tod_ns: np.ndarray) -> np.ndarray:
    """Count the midnights since the first row; a step back over one counts down."""
    if len(tod_ns) and np.ptp(tod_ns) <= DAY_NS // 2:
        return np.broadcast_to(np.int64(0), tod_ns.shape)
    count, step = np.zeros(len(tod_ns), np.int64), np.diff(tod_ns)
    turned = np.abs(step) > DAY_NS // 2
    count[1:] = np.cumsum(np.where(turned, -np.sign(step), 0))
    return count


def _nearest(running: np.ndarray, dated: np.ndarray) -> np.ndarray:
    """For each timed sentence the index into dated that is nearest in time; ties go the way most go."""
    stated = np.zeros(len(running), np.int64)
    stated[dated] = 1
    after = np.minimum(np.cumsum(stated) - stated, len(dated) - 1)
    before = np.maximum(after - 1, 0)
    gap_after = np.abs(running[dated[after]] - running)
    gap_before = np.abs(running[dated[before]] - running)
    later_first = np.count_nonzero(gap_after < gap_before) >= np.count_nonzero(gap_before < gap_after)
    return np.where((gap_after < gap_before) | ((gap_after == gap_before) & later_first), after, before)


def _at_epoch(sentences: Sentences, time: np.ndarray, which: int, epoch: np.ndarray) -> np.ndarray:
    """Values of a timed kind of sentence at exactly the given epochs, NaN where there is none."""
    rows = np.flatnonzero(sentences.kind == which)
    rows = rows[~np.isnat(time[rows])]
    values = np.full(len(epoch), np.nan)
    if len(rows) == 0:
        return values
    if np.array_equal(time[rows], epoch):
        return sentences.value[0, rows]
    rows = rows[np.argsort(time[rows], kind="stable")]
    place = np.clip(np.searchsorted(time[rows], epoch), 0, len(rows) - 1)
    same = time[rows][place] == epoch
    values[same] = sentences.value[0, rows[place[same]]]
    return values


def _headings(sentences: Sentences, time: np.ndarray, here: np.ndarray) -> np.ndarray:
    """True heading for each position: PASHR of its epoch, else the HDT of its burst of sentences.

    HDT has no time: it belongs to the position that follows it where the log's first HDT precedes its
    first position, else to the position before it.
    """
    heading = _at_epoch(sentences, time, PASHR, time[here])
    turns = np.flatnonzero(sentences.kind == HDT)
    if len(turns) == 0 or len(here) == 0:
        return heading
    if turns[0] < here[0]:
        owner = np.searchsorted(here, turns)
    else:
        owner, turns = np.searchsorted(here, turns)[::-1] - 1, turns[::-1]
    inside = (owner >= 0) & (owner < len(here))
    found = np.full(len(here), np.nan)
    found[owner[inside]] = sentences.value[0, turns[inside]]
    return np.where(np.isnan(heading), found, heading)
