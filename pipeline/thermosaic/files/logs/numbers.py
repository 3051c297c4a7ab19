"""Numbers of logs, strictly: digits, a sign, one decimal mark, an exponent; everything else is not a number.

`1_5`, full-width digits, `inf`, hexadecimal and texts are bad numbers; what the format lists as missing,
and empty fields, are missing. Nothing becomes a number by good will.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ...config import LogFormat

GOOD, MISSING, BAD = range(3)
_STRICT = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$"


def to_numbers(values: pa.Array, log_format: LogFormat) -> tuple[np.ndarray, np.ndarray]:
    """Turn texts or numbers into float64 (row), NaN unless good, and their state int8 (row)."""
    if pa.types.is_string(values.type) or pa.types.is_large_string(values.type):
        number, state = _from_texts(values, log_format)
    elif (
        pa.types.is_floating(values.type)
        or pa.types.is_integer(values.type)
        or pa.types.is_decimal(values.type)
    ):
        number, known = as_numpy(values.cast(pa.float64(), safe=False))
        number = np.where(known, number, np.nan)
        state = np.where(np.isnan(number), MISSING, np.where(np.isinf(number), BAD, GOOD)).astype(np.int8)
    else:
        number, state = np.full(len(values), np.nan), np.full(len(values), BAD, np.int8)
    for mark in _missing_numbers(log_format):
        state = np.where(number == mark, MISSING, state).astype(np.int8)
    return np.where(state == GOOD, number, np.nan), state


def as_numpy(values: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Take Arrow numbers as numpy: values, anything where there is none, and bool (row) where there is one.

    By DLPack, since Arrow's own way to numpy loads pandas.
    """
    held = pa.Array.from_buffers(values.type, len(values), [None, values.buffers()[1]], offset=values.offset)
    return np.from_dlpack(held), np.from_dlpack(values.is_valid().cast(pa.uint8())) == 1


def _missing_numbers(log_format: LogFormat) -> list[float]:
    """Missing marks that are numbers, so that -9999 and -9999.0 are one mark."""
    marks = []
    for text in log_format.missing:
        try:
            marks.append(float(text.replace(",", ".")))
        except ValueError:
            continue
    return [mark for mark in marks if np.isfinite(mark)]


def _from_texts(texts: pa.Array, log_format: LogFormat) -> tuple[np.ndarray, np.ndarray]:
    """Cast all at once where every text is a plain finite number, else look at each."""
    try:
        number, known = as_numpy(pc.cast(_point(texts, log_format), pa.float64()))
        if known.all() and np.isfinite(number).all():
            return number, np.zeros(len(number), np.int8)
    except pa.ArrowInvalid:
        pass
    trimmed = pc.utf8_trim_whitespace(texts)
    plain = _point(trimmed, log_format)
    strict = pc.match_substring_regex(plain, _STRICT)
    found, known = as_numpy(strict.cast(pa.uint8()))
    is_number = known & (found == 1)
    number = np.full(len(texts), np.nan)
    number[is_number] = as_numpy(pc.cast(plain.filter(strict), pa.float64()))[0]
    state = np.where(np.isfinite(number), GOOD, BAD).astype(np.int8)
    marks, others = {*log_format.missing, ""}, trimmed.filter(pc.invert(strict)).to_pylist()
    state[known & ~is_number] = [MISSING if text in marks else BAD for text in others]
    return np.where(state == GOOD, number, np.nan), state


def _point(texts: pa.Array, log_format: LogFormat) -> pa.Array:
    """Write a decimal comma as a point; a point is then no decimal mark any more."""
    if log_format.decimal == ".":
        return texts
    return pc.replace_substring(pc.replace_substring(texts, ".", "x"), ",", ".")
