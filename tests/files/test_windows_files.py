"""Files made on Windows: byte order mark, CRLF, semicolons and decimal commas in scan, fixes and wheel alike."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import builders
import sound_lot
from thermosaic.checks import explain_formats
from thermosaic.errors import InputError
from thermosaic.files.catalogue import load_format
from thermosaic.files.logs import reading as logs
from thermosaic.opening import load_config

MARK = b"\xef\xbb\xbf"  # UTF-8 byte order mark (RFC 3629, 6)
FIXES = (
    "time_utc,lon_deg,lat_deg,height_m,quality,sigma_m,heading_deg\n"
    "2026-05-14T13:00:00.5Z,-116.25,43.625,800.5,fixed,0.012,271.5\n"
    "2026-05-14T13:00:01.5Z,-116.125,43.75,801.25,5,0.25,\n"
)
WHEEL = "time_utc,wheel_m\n2026-05-14T13:00:00Z,0.5\n2026-05-14T13:00:01Z,0.625\n"
NAMES = {"scan": "wide-csv", "fixes": "fix-table", "wheel": "wheel-csv"}


def windows(text: str) -> bytes:
    """Write a table as a spreadsheet of a country with decimal commas saves it; times keep their points."""
    lines = []
    for line in text.splitlines():
        first, *rest = line.split(",")
        lines.append(";".join([first, *(value.replace(".", ",") for value in rest)]))
    return MARK + "\r\n".join(lines).encode() + b"\r\n"


def stated(name: str):
    """Return a shipped format with the keys that such a file needs."""
    return load_format(name).model_copy(update={"delimiter": ";", "decimal": ","})


def read(role: str, path: Path, log_format):
    if role == "fixes":
        return logs.read_fixes((path,), log_format, "EPSG:6318")[0]
    return logs.read_wheel((path,), log_format, None)[0]


@pytest.mark.parametrize(
    ("role", "text", "fields"),
    [
        ("fixes", FIXES, ("time_utc", "lon_deg", "lat_deg", "height_m", "quality", "sigma_m", "heading_deg")),
        ("wheel", WHEEL, ("time_utc", "wheel_m")),
    ],
)
def test_fix_tables_and_wheel_logs_of_windows(tmp_path, role, text, fields):
    """With two keys stated every value is that of the plain file; a mark and CRLF alone need no key at all."""
    plain, marked, foreign = (tmp_path / name for name in ("a.csv", "b.csv", "c.csv"))
    plain.write_text(text)
    marked.write_bytes(MARK + text.replace("\n", "\r\n").encode())
    foreign.write_bytes(windows(text))
    expected = read(role, plain, load_format(NAMES[role]))
    for found in (read(role, marked, load_format(NAMES[role])), read(role, foreign, stated(NAMES[role]))):
        for field in fields:
            np.testing.assert_array_equal(getattr(found, field), getattr(expected, field))


@pytest.mark.parametrize(("role", "text"), [("fixes", FIXES), ("wheel", WHEEL)])
def test_unstated_it_is_said_which_keys_to_set(tmp_path, role, text):
    """Without the keys the file is refused, and the message names the keys delimiter and decimal."""
    path = tmp_path / "log.csv"
    path.write_bytes(windows(text))
    with pytest.raises(InputError, match=r'delimiter = ";", and decimal = "," where .* in the format file'):
        read(role, path, load_format(NAMES[role]))


def test_the_first_rows_are_shown_of_windows_files_too(tmp_path):
    """--explain-format shows the same first row before and after the scan went through a spreadsheet."""
    folder = builders.write_lot(tmp_path / "lot", sound_lot.sound_lot())
    row = next(line for line in explain_formats(load_config(folder)) if "first spot" in line)
    scan = folder / "scan.csv"
    scan.write_bytes(windows(scan.read_text()))
    assert any('delimiter = ";"' in line for line in explain_formats(load_config(folder)))
    source = Path(__file__).parents[2] / "configs" / "formats" / "wide-csv.toml"
    text = source.read_text().replace('id = "wide-csv"', 'id = "ours"')
    text = text.replace('container = "csv"', 'container = "csv"\ndelimiter = ";"\ndecimal = ","')
    kept = [
        line
        for n, line in enumerate(text.splitlines())
        if not (line == 'delimiter = ","' or line == 'decimal = "."')
    ]
    (folder / "ours.toml").write_text("\n".join(kept))
    lot = folder / "lot.toml"
    head, formats, tail = lot.read_text().partition("[formats]\n")
    old = next(line for line in tail.splitlines() if line.startswith("scan = "))
    lot.write_text(head + formats + tail.replace(old, 'scan = "ours.toml"', 1))
    assert row in explain_formats(load_config(folder))
