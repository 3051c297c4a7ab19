"""NMEA 0183 sentences framed in bytes: checksum, and the fields of the wanted kinds as digits.

One loop over bytes, because a day holds millions of sentences; indices are unsigned, which spares the
compiled code a test for negative ones at every byte. What the fields mean is not known here: that is
`files.nmea`, column by column.
"""

from __future__ import annotations

import numpy as np
from numba import njit

CAUSES = ("bad_checksum", "no_checksum", "cut", "too_long", "not_text", "stray_line")
BAD_CHECKSUM, NO_CHECKSUM, CUT, TOO_LONG, NOT_TEXT, STRAY = range(len(CAUSES))
LONGEST = (
    256  # bytes from `$` to `*`; the standard's 82 (from memory) is passed by receivers with long decimals
)

DIGITS_BITS, POINT_SHIFT, LENGTH_SHIFT, MASK_SHIFT = 255, 8, 16, 32  # of a shape, see `read_sentences`
MINUS, OTHER_SIGN = 27, 0  # bits of the mask of letters that are not letters

_SOUND = -1
_U0, _U1, _U2, _U3, _U6 = (np.uint64(k) for k in (0, 1, 2, 3, 6))
_LONGEST = np.uint64(LONGEST)

# called from the kernel only: without wrappers it compiles faster
_inner = njit(cache=True, nogil=True, error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)


@_inner
def _stops(c):
    """Tell whether a byte ends a sentence: `*`, `$`, a control byte, or not ASCII."""
    return c > 126 or (c <= 42 and (c == 42 or c == 36 or c < 32))


@_inner
def _wanted(data, i, codes):
    """Index in codes of the sentence type at `$`; len(codes) = not wanted."""
    found, code = len(codes), np.int64(0)
    if data[i + _U6] != 44:
        return found
    for k in range(5):
        code = (code << 8) | np.int64(data[i + _U1 + np.uint64(k)])
    if data[i + _U1] != 80:  # not P: any talker
        code &= 0xFFFFFF
    for k in range(len(codes)):
        if codes[k] == code:
            found = k
    return found


@_inner
def _skip(data, i, last):
    """Run from i to the byte that ends the sentence: its place, and the XOR of the bytes before it."""
    total = np.uint8(0)
    while i < last:
        c = data[i]
        if _stops(c):
            break
        total ^= c
        i += _U1
    return i, total


@_inner
def _split(data, i, last, row, value, shape):
    """Do as `_skip`, and write the digits and the shape of every field; return their number too."""
    total, field, begin = np.uint8(0), 0, i
    digits, count, point, mask = 0, 0, 0, 0
    while True:
        c = data[i] if i < last else np.uint8(0)
        if 48 <= c <= 57:
            digits = digits * 10 + (np.int64(c) - 48)
            count += 1
        elif c == 44 or _stops(c):
            if field < len(value):
                value[field, row] = digits
                length = np.int64(i - begin)
                shape[field, row] = (
                    (mask << MASK_SHIFT) | (length << LENGTH_SHIFT) | (point << POINT_SHIFT) | count
                )
            field += 1
            if c != 44:
                break
            begin, digits, count, point, mask = i + _U1, 0, 0, 0, 0
        elif c == 46 and point == 0:
            point = count + 1
        elif 65 <= c <= 90:
            mask |= np.int64(1) << (np.int64(c) & 31)
        else:
            mask |= np.int64(1) << (MINUS if c == 45 and i == begin else OTHER_SIGN)
        total ^= c
        i += _U1
    return i, total, field


@_inner
def _nibble(c):
    """Value of a hexadecimal digit of either case; 99 = none."""
    if 48 <= c <= 57:
        return np.int64(c) - 48
    lower = np.int64(c) | 32
    return lower - 87 if 97 <= lower <= 102 else 99


@_inner
def _verdict(data, end, total, need_checksum):
    """Cause that rejects the sentence framed to end, or _SOUND."""
    n = np.uint64(len(data))
    if end == n or data[end] == 36:
        return CUT
    c = data[end]
    if c == 42:
        if end + _U2 >= n:
            return CUT
        stated = _nibble(data[end + _U1]) * 16 + _nibble(data[end + _U2])
        return _SOUND if stated == np.int64(total) else BAD_CHECKSUM
    if c == 10 or c == 13:
        return NO_CHECKSUM if need_checksum else _SOUND
    return NOT_TEXT if _stops(c) else TOO_LONG


@njit(cache=True, nogil=True, error_model="numpy")
def read_sentences(data, line, need_checksum, codes, kind, lines, fields, value, shape, counts, first_line):
    """Frame all sentences of a block of whole lines and split those of the wanted kinds.

    Parameters
    ----------
    data : uint8 (byte)
        Whole lines (LF, CR or CRLF); a sentence cut by the block's end is rejected.
    line : int
        Number of the first line, 1 = first of the file.
    need_checksum : bool
        Reject sentences without a checksum; a checksum that is there is always held against the bytes.
    codes : int64 (kind)
        Wanted sentence types as big-endian integers: the three letters after the talker, or all five of a
        proprietary address (`P...`).
    kind, lines, fields : int8, int64, int16 (row)
        Filled: index into codes, line, number of fields (the address is one).
    value, shape : int64 (field, row)
        Filled: digits of the field as one integer, and its shape: count of digits (bits 0-7), place of
        the point + 1 (8-15, 0 = none), length (16-31), mask of letters A = bit 1 .. Z (32-), bit MINUS a
        leading minus, bit OTHER_SIGN anything else. Fields beyond those of the arrays are only counted.
    counts, first_line : int64 (cause + 1), int64 (cause)
        Rejected sentences and lines by cause, last = sound sentences; first line of each cause (0 = none).
        Added to.

    Returns
    -------
    rows, line : int
        Rows filled (a row needs at least eight bytes of data), and the number of the line after the last.
    """
    n, i, row, marked = np.uint64(len(data)), _U0, np.int64(0), False
    while i < n:
        c, cause = data[i], _SOUND
        if c == 36 and i + _U6 < n and 65 <= data[i + _U1] <= 90:
            last, which = min(n, i + _LONGEST), _wanted(data, i, codes)
            if which < len(codes):
                i, total, fields[row] = _split(data, i + _U1, last, row, value, shape)
            else:
                i, total = _skip(data, i + _U1, last)
            cause = _verdict(data, i, total, need_checksum)
            if cause == _SOUND:
                counts[len(CAUSES)] += 1
                i += _U3 if data[i] == 42 else _U0
                if which < len(codes):
                    kind[row], lines[row] = which, line
                    row += 1
        else:
            if c == 10 or (c == 13 and (i + _U1 == n or data[i + _U1] != 10)):
                line += 1
                marked = False
            elif c > 32 and not marked:
                cause = STRAY
            i += _U1
        if cause != _SOUND:
            marked = True
            counts[cause] += 1
            first_line[cause] = line if first_line[cause] == 0 else first_line[cause]
    return row, line
