"""Kinds of values: what passes, what it becomes, and what never passes."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from thermosaic import values


def parse(kind, value, **context):
    """Read one value by its kind."""
    return TypeAdapter(kind).validate_python(value, context=context, strict=True)


@pytest.mark.parametrize(
    ("kind", "value", "low", "high"),
    [
        (values.Along, "1e6 m ahead", -30, 30),
        (values.Across, "-31 m", -30, 30),
        (values.Height, "-1 m", 0, 20),
        (values.Duration, "-1 s", 0, 86400),
        (values.Temperature, "900 degF", -50, 400),
        (values.Difference, "-5 degF", 0, 300),
    ],
)
def test_a_value_out_of_range_is_answered_with_the_range(kind, value, low, high):
    """The message holds the value and the allowed range."""
    with pytest.raises(ValidationError, match=rf'"{value}" is outside the allowed range {low} \.\. {high}'):
        parse(kind, value)


@given(name=st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", fullmatch=True))
def test_an_id_of_the_allow_list_is_kept(name):
    """Any other name of the allow-list passes unchanged."""
    is_device = name.split(".")[0].upper() in {"CON", "PRN", "AUX", "NUL"} | {
        port + str(n) for port in ("COM", "LPT") for n in range(10)
    }
    try:
        assert parse(values.Name, name) == name
        taken = True
    except ValidationError:
        taken = False
    assert taken == (not is_device and not name.endswith("."))


@pytest.mark.parametrize(
    "path", ["", ".", "..", "../a", "a/../../b", "/etc/passwd", "~/a", "C:/a", "c:a", "a\\b", "a\0b", "a\nb",
             "a\u202eb", "CON", "logs/nul.csv", "a.", "a /b", "a?", "a:b", "x" * 5000, 5, None]
)  # fmt: skip
def test_a_path_that_leaves_the_lot_is_refused(path):
    """Absolute paths, ways out of the folder, and names that some system cannot hold never pass."""
    with pytest.raises(ValidationError):
        parse(values.LotPath, path, folder=Path("/lots/a"))


@given(parts=st.lists(st.sampled_from(["a", "..", ".", "b.csv", "Straße 1", "c"]), min_size=1, max_size=6))
def test_a_path_that_passes_stays_inside(parts):
    """Whatever is taken is where the system would look, inside the lot folder; plain paths are taken."""
    folder, path = Path("/lots/a"), "/".join(parts)
    try:
        taken = parse(values.LotPath, path, folder=folder)
    except ValidationError:
        assert ".." in parts or set(parts) == {"."}
    else:
        assert taken == (folder / path).resolve()
        assert folder in taken.parents


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-05-14T13:20:00-06:00", datetime(2026, 5, 14, 19, 20, tzinfo=UTC)),
        ("2026-05-14T13:20:00.250Z", datetime(2026, 5, 14, 13, 20, 0, 250_000, tzinfo=UTC)),
    ],
)
def test_a_time_is_iso_8601_with_its_zone(text, expected):
    """An offset is applied: 13:20 at -06:00 is 19:20 UTC."""
    assert parse(values.Time, text) == expected


@pytest.mark.parametrize(
    "value", ["2026-05-14T13:20:00", "2026-05-14", "13:20Z", "2026-13-01T00:00:00Z", "2026-05-14T13:20:60Z",
              "1970-01-01T00:00:00Z", "9999-12-31T23:59:59-12:00", "yesterday", "", 1778786400, True,
              datetime(2026, 5, 14, tzinfo=UTC)]
)  # fmt: skip
def test_a_time_without_zone_or_sense_is_refused(value):
    """A naive time is never taken as UTC; no date of the machine's epoch passes."""
    with pytest.raises(ValidationError):
        parse(values.Time, value)
