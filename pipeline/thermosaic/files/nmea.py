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

from ..errors import InputError
from ..kernels import nmea as kernel
from .fixes import FixRows
from .sources import refuse, sentence_blocks
from .tallies import Ledger

KINDS = ("GGA", "RMC", "GNS", "GST", "ZDA", "HDT", "PASHR", "VTG")
GGA, RMC, GNS, GST, ZDA, HDT, PASHR, VTG = range(len(KINDS))
MOST_ROWS = 30_000_000
DAY_NS = 86_400_000_000_000
NO_TIME, NO_DAY = -1, np.iinfo(np.int32).min

_CODES = np.array([int.from_bytes(name.encode(), "big") for name in KINDS])
_FIELDS = 16  # kept of each sentence
_FEWEST = np.array([15, 12, 13, 9, 7, 3, 11, 0])  # fields by kind, the address included
_MOST = np.array([15, 14, 14, 9, 7, 3, 13, 99])
_LATITUDE = {GGA: 2, RMC: 3, GNS: 2}  # field of the latitude
_TEN = 10 ** np.arange(19, dtype=np.int64)
_GGA_QUALITY = np.array(
    [0, 1, 2, 1, 3, 4, 0, 0, 0, 0], np.int8
)  # codes 0..9 -> QUALITIES; 3 = PPS, 4 fixed, 5 float
_MODES = (("R", 3), ("F", 4), ("D", 2), ("A", 1), ("P", 1))  # best first; letters of NMEA 4.x from memory


# ------------------------------------------------------------------------------------ fields, as columns


class _Field:
    """One field of many sentences; count, whole, length and mask have one element where all are alike."""

    def __init__(self, value: np.ndarray, shape: np.ndarray, rows: np.ndarray) -> None:
        packed = shape[rows]
        packed = packed[:1] if np.all(packed == packed[0]) else packed
        point = packed >> kernel.POINT_SHIFT & 255
        self._value, self._rows = value, rows
        self.count = packed & 255  # digits
        self.whole = np.where(point > 0, point - 1, self.count)  # digits before the point
        self.length = packed >> kernel.LENGTH_SHIFT & 0xFFFF
        self.mask = packed >> kernel.MASK_SHIFT  # of letters

    @property
    def digits(self) -> np.ndarray:
        """All digits as one integer."""
        return self._value[self._rows]

    @property
    def scale(self) -> np.ndarray:
        """Power of ten that the digits are divided by."""
        return _TEN[np.clip(self.count - self.whole, 0, 18)]

    @property
    def empty(self) -> np.ndarray:
        return self.length == 0

    @property
    def plain(self) -> np.ndarray:
        """Digits with at most one point, nothing else."""
        return (self.count > 0) & (self.count <= 18) & (self.mask == 0)

    def number(self) -> np.ndarray:
        """Signed decimal number; NaN where it is none."""
        minus = self.mask == 1 << kernel.MINUS
        sound = (self.count > 0) & (self.count <= 18) & ((self.mask == 0) | minus)
        sign = np.where(sound, np.where(minus, -1.0, 1.0), np.nan)
        return self.digits / self.scale * sign

    def letter(self, char: str) -> np.ndarray:
        return (self.length == 1) & (self.mask == 1 << (ord(char) & 31))


# ---------------------------------------------------------------------------------- what a sentence says


@dataclass
class _Rows:
    """Decoded sentences of one block, in order."""

    kind: np.ndarray
    tod_ns: np.ndarray  # of the day; NO_TIME
    day: np.ndarray  # since 1970; NO_DAY
    quality: np.ndarray  # class
    value: np.ndarray  # (3, row): latitude, longitude, height; or sigma; or heading
    malformed: np.ndarray
    leap_second: np.ndarray
    silent: np.ndarray  # well formed, nothing to say


def _decode(kind: np.ndarray, fields: np.ndarray, value: np.ndarray, shape: np.ndarray) -> _Rows:
    """Decode the sentences of a block, kind by kind."""
    count = len(kind)
    malformed = (fields < _FEWEST[kind]) | (fields > _MOST[kind])
    out = _Rows(
        kind=kind,
        tod_ns=np.full(count, NO_TIME),
        day=np.full(count, NO_DAY, np.int32),
        quality=np.zeros(count, np.int8),
        value=np.full((3, count), np.nan),
        malformed=malformed,
        leap_second=np.zeros(count, bool),
        silent=kind == VTG,
    )
    for which in range(VTG):
        rows = np.flatnonzero((kind == which) & ~malformed)
        if len(rows) == 0:
            continue

        def field(index: int, rows: np.ndarray = rows) -> _Field:
            return _Field(value[index], shape[index], rows)

        if which != HDT:
            _decode_time(out, rows, field(1))
        if which in _LATITUDE:
            _decode_position(out, rows, which, field, fields[rows])
        if which in (RMC, ZDA):
            _decode_date(out, rows, which, field)
        if which in (GST, HDT, PASHR):
            _decode_measure(out, rows, which, field)
    timeless = (out.tod_ns == NO_TIME) & (kind != HDT) & ~out.silent & ~out.leap_second
    out.malformed |= timeless & ((out.quality > 0) | (kind == GST) | (kind == PASHR))
    return out


def _decode_time(out: _Rows, rows: np.ndarray, time: _Field) -> None:
    """hhmmss with decimals -> ns of the day; second 60 is set apart."""
    digits, scale = time.digits, np.minimum(time.scale, _TEN[9])
    clock = digits // scale
    minutes = clock // 100
    hour, second = minutes // 100, clock - 100 * minutes
    minute = minutes - 100 * hour
    sound = time.plain & (time.whole == 6) & (time.count <= 15) & (hour < 24) & (minute < 60) & (second <= 60)
    ns = ((hour * 60 + minute) * 60 + second) * _TEN[9] + (digits - clock * scale) * (_TEN[9] // scale)
    out.leap_second[rows] = sound & (second == 60)
    out.tod_ns[rows] = np.where(sound & (second < 60), ns, NO_TIME)
    out.malformed[rows] |= ~sound & ~time.empty


def _decode_position(out: _Rows, rows: np.ndarray, which: int, field, fields: np.ndarray) -> None:
    """Quality class and position; a sentence without a position needs no fields beyond its quality."""
    quality, sound = _quality(which, field, fields)
    first = _LATITUDE[which]
    latitude, lat_sound = _angle(field(first), field(first + 1), 4, 90, "N", "S")
    longitude, lon_sound = _angle(field(first + 2), field(first + 3), 5, 180, "E", "W")
    placed_sound = lat_sound & lon_sound
    if which != RMC:
        level, geoid = field(9), field(11 if which == GGA else 10)
        height = level.number() + geoid.number()
        placed_sound &= np.isfinite(height) | level.empty | geoid.empty
        out.value[2, rows] = np.where(quality > 0, height, np.nan)
    if which == GGA:
        for unit in (field(10), field(12)):
            placed_sound &= unit.empty | unit.letter("M")
    if which == GNS:
        out.silent[rows] = field(6).empty & field(first).empty  # one constellation's share of a common fix
    out.value[0, rows] = np.where(quality > 0, latitude, np.nan)
    out.value[1, rows] = np.where(quality > 0, longitude, np.nan)
    out.quality[rows] = quality
    out.malformed[rows] |= ~(sound & (placed_sound | (quality == 0)))


def _quality(which: int, field, fields: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Quality class of GGA (code), GNS (mode letters) or RMC (status and mode), and whether it is sound."""
    if which == GGA:
        code = field(6)
        sound = code.plain & (code.length == 1)
        return _GGA_QUALITY[np.where(sound, code.digits, 0)], sound
    if which == GNS:
        return _mode(field(6))
    status, (mode, mode_sound) = field(2), _mode(field(12))
    without = (fields < 13) | field(12).empty
    valid = status.letter("A")
    quality = np.where(valid, np.where(without, np.int8(1), mode), np.int8(0))
    return quality, (valid | status.letter("V")) & (without | mode_sound)


def _mode(letters: _Field) -> tuple[np.ndarray, np.ndarray]:
    """Best class among mode letters, one for each constellation."""
    quality = np.zeros(len(letters.mask), np.int8)
    for char, code in reversed(_MODES):
        quality[(letters.mask >> (ord(char) & 31) & 1) == 1] = code
    return quality, (letters.count == 0) & (letters.mask & 1 == 0)


def _angle(
    angle: _Field, side: _Field, whole: int, highest: float, positive: str, negative: str
) -> tuple[np.ndarray, np.ndarray]:
    """(d)ddmm.mmm and its hemisphere in degrees, and whether both are sound."""
    digits, scale = angle.digits, np.minimum(angle.scale, _TEN[12])
    degrees = digits // (100 * scale)
    minutes = (digits - degrees * (100 * scale)) / scale
    value = degrees + minutes / 60
    south = side.letter(negative)
    form = angle.plain & (angle.whole == whole) & (angle.count <= 17) & (south | side.letter(positive))
    return value * np.where(south, -1.0, 1.0), form & (minutes < 60) & (value <= highest)


def _decode_date(out: _Rows, rows: np.ndarray, which: int, field) -> None:
    """ddmmyy of an RMC, or day, month, year of a ZDA -> days since 1970; an empty date says nothing."""
    if which == RMC:
        text = field(9)
        empty, sound = text.empty, text.plain & (text.length == 6) & (text.count == 6)
        digits = _once(text.digits)
        day, month, year = digits // 10000, digits // 100 % 100, digits % 100
        year = year + np.where(year >= 80, 1900, 2000)
    else:
        parts = [field(k) for k in (2, 3, 4)]
        empty = parts[2].empty
        sound = np.logical_and.reduce(
            np.broadcast_arrays(*(part.plain & (part.count == part.length) for part in parts))
        )
        day, month, year = (_once(part.digits) for part in parts)
    number, exists = day_number(year, month, day)
    sound = sound & exists
    out.day[rows] = np.where(sound & ~empty, number, NO_DAY)
    out.malformed[rows] |= ~sound & ~empty
    if which == ZDA:
        out.silent[rows] = empty | ((out.tod_ns[rows] == NO_TIME) & sound)


def _once(values: np.ndarray) -> np.ndarray:
    """One element where all are equal."""
    return values[:1] if np.all(values == values[0]) else values


def day_number(year: np.ndarray, month: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Days since 1970-01-01 of dates from 1980 to 2100, and whether there is such a date."""
    sound = (year >= 1980) & (year <= 2100) & (month >= 1) & (month <= 12)
    months = np.where(sound, year - 1970, 0) * 12 + np.where(sound, month, 1) - 1
    first, after = (value.astype("M8[M]").astype("M8[D]").astype(int) for value in (months, months + 1))
    return first + day - 1, sound & (day >= 1) & (day <= after - first)


def _decode_measure(out: _Rows, rows: np.ndarray, which: int, field) -> None:
    """One-axis sigma of a GST: root mean square of north and east; true heading of HDT and PASHR."""
    if which == GST:
        north, east = field(6), field(7)
        amount = np.sqrt((north.number() ** 2 + east.number() ** 2) / 2)
        empty = north.empty | east.empty
        sound = (north.number() >= 0) & (east.number() >= 0)
    else:
        index = 1 if which == HDT else 2
        heading = field(index)
        amount, empty = heading.number(), heading.empty
        sound = field(index + 1).letter("T") & (amount >= 0) & (amount <= 360)
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
        for part in in_order(lambda block: _read_block(block, need_checksum), sentence_blocks(path)):
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


def in_order(read: Callable[[Any], Any], blocks: Iterator[Any], workers: int = 2) -> Iterator[Any]:
    """Yield `read(block)` for each block in order, a few at a time in threads."""
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[Any] = deque()
        for block in blocks:
            waiting.append(pool.submit(read, block))
            if len(waiting) > workers:
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
    """Return row buffers of this thread, large enough."""
    held = getattr(_BUFFERS, "arrays", None)
    if held is None or len(held[0]) < rows:
        kind, line, fields = np.empty(rows, np.int8), np.empty(rows, np.int64), np.empty(rows, np.int16)
        held = (kind, line, fields, np.zeros((_FIELDS, rows), np.int64), np.zeros((_FIELDS, rows), np.int64))
        _BUFFERS.arrays = held
    return held


def _read_block(block: bytes, need_checksum: bool) -> _Part:
    """Read and decode one block of lines."""
    counts = np.zeros(len(kernel.CAUSES) + 1, np.int64)
    first = np.zeros(len(kernel.CAUSES), np.int64)
    buffers = _buffers(len(block) // 8 + 1)
    data = np.frombuffer(block, np.uint8)
    rows, after = kernel.read_sentences(data, 1, need_checksum, _CODES, *buffers, counts, first)
    kind, lines, fields = (buffer[:rows] for buffer in buffers[:3])
    decoded = _decode(kind, fields, buffers[3], buffers[4])
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
    if len(kept) == rows:
        taken = [kind.copy(), lines.copy(), *columns[2:]]
    else:
        taken = [column[..., kept] for column in columns]
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
    time = absolute_times(sentences, name)
    rows = FixRows(
        time_utc=time[here],
        lon_deg=sentences.value[1, here],
        lat_deg=sentences.value[0, here],
        height_m=sentences.value[2, here],
        quality=sentences.quality[here],
        sigma_m=_at_epoch(sentences, time, GST, time[here]),
        heading_deg=_headings(sentences, time, here),
        line=sentences.line[here],
    )
    ledger.notes["position_sentence"] = KINDS[source]
    return rows, ledger


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


def absolute_times(sentences: Sentences, name: str) -> np.ndarray:
    """Date every sentence: (row) datetime64[ns], NaT where it has no time of day.

    Times of day are first run on over midnights (a fall by more than 12 h is a new day); every dated
    sentence then states the day at which that count began, and each other one takes it from the dated
    sentence that is nearest in time, before or after it in the log.
    """
    timed = np.flatnonzero(sentences.tod_ns != NO_TIME)
    tod = sentences.tod_ns[timed]
    step = np.diff(tod)
    midnights = np.concatenate([[0], np.cumsum((step < -DAY_NS // 2).astype(int) - (step > DAY_NS // 2))])
    day = sentences.day[timed]
    dated = np.flatnonzero(day != NO_DAY)
    if len(dated) == 0:
        raise InputError(
            f"{name}: no RMC or ZDA sentence states a date, and GGA has none: let the receiver send RMC or "
            "ZDA; a date is never taken from elsewhere"
        )
    running = tod + midnights[: len(tod)] * DAY_NS
    anchor = day[dated] - midnights[dated]
    one = np.all(anchor == anchor[0])
    days = midnights[: len(tod)] + (anchor[0] if one else anchor[_nearest(running, dated)])
    days[dated] = day[dated]
    time = np.full(len(sentences.kind), np.datetime64("NaT", "ns"))
    time[timed] = (days * DAY_NS + tod).astype("M8[ns]")
    return time


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
    rows = np.flatnonzero((sentences.kind == which) & ~np.isnat(time))
    values = np.full(len(epoch), np.nan)
    if len(rows) == 0:
        return values
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
