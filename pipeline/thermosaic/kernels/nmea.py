"""NMEA 0183 sentences in bytes: frame, checksum, and the fields of the wanted kinds, in one pass.

One loop over bytes, because a day holds millions of sentences. It runs as it is written while there is little to
read, and compiled from then on: loading the compiler takes longer than reading a few minutes of a log. Compiled,
indices and digits are unsigned, which spares tests for negative ones, and arrays go to one function only, which
spares the counting of their references. Where the fields of a kind stand is told by `files.logs.nmea`, which knows
their meaning.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import FunctionType
from typing import Any

import numpy as np

FEW_BYTES = 1 << 17  # up to here a log is read before the compiler would be loaded
CAUSES = ("bad_checksum", "no_checksum", "cut", "too_long", "not_text", "stray_line")
BAD_CHECKSUM, NO_CHECKSUM, CUT, TOO_LONG, NOT_TEXT, STRAY = range(len(CAUSES))
# bytes from `$` to `*`; the standard's 82 (from memory) is passed by receivers with long decimals
LONGEST = 256

FIELDS = 16  # read of a sentence, the address included; as number of a field: none
ROOM = 3 * (FIELDS + 4)  # of `held`; the fields beyond FIELDS stay empty
CLOCK, LATITUDE, AMOUNT, UNIT, RAW = 0, 1, 2, 4, 6  # columns of a layout: see `read_sentences`
LAYOUT = 9
KIND, LINE, COUNT, TIME, DIGITS, SHAPE = 0, 1, 2, 3, 4, 7  # rows of `whole`
WHOLES, NUMBERS = 10, 4
NO_TIME, LEAP_SECOND, BAD_TIME = -1, -2, -3
LEAD_SHIFT, LENGTH_SHIFT, MASK_SHIFT = 8, 16, 32  # of a shape
OTHER, MINUS = 0, 27  # bits of the mask of letters that are not letters

_SOUND = -1
_0, _1, _2, _3, _4, _5, _6, _7, _8, _9 = range(10)
_10, _12, _31, _48, _60, _100, _10000, _BYTE, _WORD = 10, 12, 31, 48, 60, 100, 10000, 255, 65535
_HELD, _LONGEST, _LEAD, _LENGTH, _MASK = 3 * FIELDS, LONGEST, LEAD_SHIFT, LENGTH_SHIFT, MASK_SHIFT
_OTHER_BIT, _MINUS_BIT, _EAST, _NORTH, _SOUTH, _WEST = (1 << k for k in (OTHER, MINUS, 5, 14, 19, 23))
_METRES = (1 << 13 << MASK_SHIFT) | (1 << LENGTH_SHIFT)  # shape of a field that is an M
_LARGEST = (1 << 63) - 1
_TEN = 10 ** np.arange(20, dtype=np.uint64)
_UNSIGNED = (
    *(f"_{k}" for k in (*range(11), 12, 31, 48, 60, 100, 10000)), "_BYTE", "_WORD", "_HELD", "_LONGEST", "_LEAD",
    "_LENGTH", "_MASK", "_OTHER_BIT", "_MINUS_BIT", "_EAST", "_NORTH", "_SOUTH", "_WEST", "_METRES", "_LARGEST",
)  # fmt: skip
_INLINED = ("_kind", "_keep")
_INNER = ("_stops", "_split", "_clock", "_angle", "_number", "_nibble", "_verdict")


def _stops(c):
    """Tell whether a byte ends a sentence: `*`, `$`, a control byte, or not ASCII."""
    return c > 126 or (c <= 42 and (c == 42 or c == 36 or c < 32))


def _kind(code, proprietary, codes):
    """Index in codes of a sentence type, five letters as an integer; len(codes) = not wanted."""
    found, code = len(codes), code if proprietary else code & 0xFFFFFF  # any talker
    for k in range(len(codes)):
        found = k if codes[k] == code else found
    return found


def _split(data, i, last, held):
    """Run from i to the byte that ends the sentence: its place, the XOR before it, and its fields.

    Each field is three entries of `held`: all digits, the digits before the point, and the shape. Whether it
    ran beyond `last` is asked once a field: the data end with a byte that ends a sentence.
    """
    total, at = _0, _0
    while True:
        begin, digits, before, point, mask = i, _0, _0, _0, _0
        c = data[i]
        while 48 <= c <= 57:  # nearly all fields are digits with or without a point
            digits = digits * _10 + (c - _48)
            total, i = total ^ c, i + _1
            c = data[i]
        count = i - begin
        if c == 46:
            point, before = count + _1, digits
            total, i = total ^ c, i + _1
            c = data[i]
            while 48 <= c <= 57:
                digits = digits * _10 + (c - _48)
                total, i = total ^ c, i + _1
                c = data[i]
            count = i - begin - _1
        while c != 44:  # the others
            if 48 <= c <= 57:
                digits = digits * _10 + (c - _48)
                count += _1
            elif c == 46 and point == _0:
                point, before = count + _1, digits
            elif 65 <= c <= 90:
                mask |= _1 << (c & _31)
            elif _stops(c):
                break
            else:
                mask |= _MINUS_BIT if c == 45 and i == begin else _OTHER_BIT
            total, i = total ^ c, i + _1
            c = data[i]
        if i > last:
            return last, total, at  # too long, whatever it says
        if at < _HELD:
            held[at], held[at + _1] = digits, before if point > _0 else digits
            lead = point - _1 if point > _0 else count
            held[at + _2] = (mask << _MASK) | ((i - begin) << _LENGTH) | (lead << _LEAD) | (count - lead)
        at += _3
        if c != 44 or i == last:
            return i, total, at
        total, i = total ^ c, i + _1


def _clock(digits, before, shape):
    """Nanoseconds of the day of hhmmss and its decimals, or what is there instead."""
    if shape == _0:
        return NO_TIME
    places = shape & _BYTE
    hour, minute, second = before // _10000, before // _100 % _100, before % _100
    if (shape >> _LEAD) & _BYTE != _6 or shape >> _MASK != _0 or places > _9:
        return BAD_TIME
    if hour > 23 or minute > 59 or second > 60:
        return BAD_TIME
    rest = (digits - before * _TEN[places]) * _TEN[_9 - places]
    whole = ((hour * _60 + minute) * _60 + second) * _TEN[_9]
    return LEAP_SECOND if second == 60 else np.int64(whole + rest)


def _angle(digits, before, shape, side, lead):
    """Degrees of (d)ddmm.mmm and the hemisphere of the next field; NaN where they are none."""
    places, degrees, letter = shape & _BYTE, before // _100, side >> _MASK
    if (shape >> _LEAD) & _BYTE != lead or shape >> _MASK != _0 or places > _12:
        return np.nan
    minutes = (digits - degrees * _100 * _TEN[places]) / _TEN[places]
    value = degrees + minutes / 60.0
    if minutes >= 60.0 or value > (90.0 if lead == _4 else 180.0) or (side >> _LENGTH) & _WORD != _1:
        return np.nan
    if letter == (_NORTH if lead == _4 else _EAST):
        return value
    return -value if letter == (_SOUTH if lead == _4 else _WEST) else np.nan


def _number(digits, shape, unit):
    """Signed decimal number in metres or without unit; NaN where it is empty, infinite where it is none."""
    places, mask = shape & _BYTE, shape >> _MASK
    count = places + ((shape >> _LEAD) & _BYTE)
    feet = unit != _0 and unit != _METRES
    if shape == _0 and not feet:
        return np.nan
    if feet or count == _0 or count > 18 or (mask != _0 and mask != _MINUS_BIT):
        return np.inf
    value = digits / _TEN[places]
    return value if mask == _0 else -value


def _keep(held, layout, which, row, whole, number):
    """Write the fields of a row where the layout of its kind has them."""
    at = layout[which, _0]
    whole[_3, row] = _clock(held[at], held[at + _1], held[at + _2])
    at = layout[which, _1]
    number[_0, row] = _angle(held[at], held[at + _1], held[at + _2], held[at + _5], _4)
    at += _6
    number[_1, row] = _angle(held[at], held[at + _1], held[at + _2], held[at + _5], _5)
    for k in (_0, _1):
        at = layout[which, _2 + k]
        number[_2 + k, row] = _number(held[at], held[at + _2], held[layout[which, _4 + k] + _2])
    for k in (_0, _1, _2):
        at = layout[which, _6 + k]
        whole[_4 + k, row], whole[_7 + k, row] = held[at] & _LARGEST, held[at + _2]


def _nibble(c):
    """Value of a hexadecimal digit of either case; 99 = none."""
    if 48 <= c <= 57:
        return c - 48
    lower = c | 32
    return lower - 87 if 97 <= lower <= 102 else 99


def _verdict(c, high, low, total, need_checksum):
    """Cause that rejects the sentence ended by byte c and the two after it, or _SOUND."""
    if c == 42:
        stated = _nibble(high) * 16 + _nibble(low)
        return _SOUND if stated == np.int64(total) else BAD_CHECKSUM
    if c == 36:
        return CUT
    if c == 10 or c == 13:
        return NO_CHECKSUM if need_checksum else _SOUND
    return NOT_TEXT if _stops(c) else TOO_LONG


def _read(data, n, need_checksum, codes, layout, held, whole, number, counts, first_line):
    """See `read_sentences`; `held` is room for one sentence, zeros at first; byte n - 1 or n ends a sentence."""
    i, row, line, marked = _0, _0, 1, False
    while i < n:
        c, cause = data[i], _SOUND
        if c == 36 and i + _6 < n and 65 <= data[i + _1] <= 90:
            code = 0
            for k in (_1, _2, _3, _4, _5):
                code = (code << 8) | data[i + k]
            which = _kind(code if data[i + _6] == 44 else 0, data[i + _1] == 80, codes)
            i, total, at = _split(data, i + _1, min(n, i + _LONGEST), held)
            after = min(i, n - _3)
            c = data[i] if i == after or (i < n and data[i] != 42) else np.uint8(36)
            cause = _verdict(c, data[after + _1], data[after + _2], total, need_checksum)
            if cause == _SOUND:
                counts[len(CAUSES)] += 1
                i += _3 if c == 42 else _0
                if which < len(codes):
                    whole[_0, row], whole[_1, row], whole[_2, row] = which, line, at // _3
                    _keep(held, layout, which, row, whole, number)
                    row += _1
        else:
            if c == 10 or (c == 13 and (i + _1 == n or data[i + _1] != 10)):
                line += 1
                marked = False
            elif c > 32 and not marked:
                cause = STRAY
            i += _1
        if cause != _SOUND:
            marked = True
            counts[cause] += 1
            first_line[cause] = line if first_line[cause] == 0 else first_line[cause]
    return row, line


@cache
def _compiled() -> Callable[..., tuple[int, int]]:
    """`_read` compiled by numba with all it calls, from a copy of this module's names whose constants are unsigned."""
    from numba import njit  # here, since it takes long to load

    names: dict[str, Any] = dict(globals())
    options = {"cache": True, "nogil": True, "error_model": "numpy"}
    # called from the reader only: without wrappers they compile faster
    inner = njit(**options, no_cpython_wrapper=True, no_cfunc_wrapper=True)
    names.update({name: np.uint64(names[name]) for name in _UNSIGNED})
    ways = (njit(inline="always"), _INLINED), (inner, _INNER), (njit(**options), ("_read",))
    for way, functions in ways:
        names.update({name: way(FunctionType(names[name].__code__, names)) for name in functions})
    return names["_read"]


def read_sentences(
    block: bytes | memoryview,
    need_checksum: bool,
    codes: np.ndarray,
    layout: np.ndarray,
    whole: np.ndarray,
    number: np.ndarray,
    counts: np.ndarray,
    first_line: np.ndarray,
) -> tuple[int, int]:
    """Frame all sentences of a block of whole lines and read those of the wanted kinds.

    Parameters
    ----------
    block : bytes or memoryview
        Whole lines (LF, CR or CRLF); a sentence cut by the block's end is rejected.
    need_checksum : bool
        Reject sentences without a checksum; a checksum that is there is always held against the bytes.
    codes : int64 (kind)
        Wanted sentence types as big-endian integers: the three letters after the talker, or all five of a
        proprietary address (`P...`).
    layout : uint64 (kind, LAYOUT)
        3 x the number of the field (the address is field 0, FIELDS = none) that holds: CLOCK the time of
        day; LATITUDE the latitude, before its hemisphere, longitude and hemisphere; AMOUNT two numbers; UNIT
        the units that these must have, if any; RAW three more fields.
    whole : int64 (WHOLES, row)
        Filled: KIND index into codes; LINE in the block, from 1; COUNT of fields; TIME of day in ns, or
        NO_TIME (empty), LEAP_SECOND, BAD_TIME; DIGITS of the three raw fields as integers; their SHAPE: count
        of digits after the point (bits 0-7) and before it (8-15), length (16-31), mask of letters A = bit 1
        .. Z (32-), bit MINUS a leading minus, bit OTHER anything else.
    number : float64 (NUMBERS, row)
        Filled: latitude and longitude in degrees, NaN where they are none; the two numbers, NaN where empty,
        infinite where they are none. A field that a sentence lacks is that of a sentence before it.
    counts, first_line : int64 (cause + 1), int64 (cause)
        Rejected sentences and lines by cause, last = sound sentences; first line of each cause (0 = none).
        Added to.

    Returns
    -------
    rows, line : int
        Rows filled, at most one for each `$`, and the number of the line after the last.
    """
    ended = block if block[-1:] == b"\n" else bytes(block) + b"\0"
    out = whole, number, counts, first_line
    if len(block) <= FEW_BYTES and not _compiled.cache_info().currsize:
        few: list[int] = codes.tolist()
        return _read(bytes(ended), len(block), need_checksum, few, layout, [0] * ROOM, *out)
    data, held = np.frombuffer(ended, np.uint8), np.zeros(ROOM, np.uint64)
    return _compiled()(data, np.uint64(len(block)), need_checksum, codes, layout, held, *out)
