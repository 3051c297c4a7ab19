"""quality.json and manifest.json: plain JSON, balanced counts, digests, no trace of the machine."""

from __future__ import annotations

import hashlib
import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

import builders
from thermosaic import model
from thermosaic.files import manifest
from true_record import true_record

LOT = "lot"


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> model.LotRecord:
    """Give a lot of one bend, and its record."""
    return true_record(tmp_path_factory.mktemp(LOT), builders.one_bend_lot())


def test_numbers_that_json_cannot_hold_become_null(tmp_path: Path) -> None:
    """NaN, infinity and NaT are null (RFC 8259, section 6: not permitted); times are ISO 8601 UTC."""
    content = {
        "nan": float("nan"),
        "inf": np.float32(np.inf),
        "when": np.datetime64("2026-05-14T13:20:00.1239", "ns"),
        "never": np.datetime64("NaT"),
        "array": np.array([1.5, np.nan]),
        "flag": np.bool_(True),
        "count": np.int64(7),
        3: (1, None),
    }
    manifest.write_json(tmp_path / "x.json", content)
    strict = json.loads((tmp_path / "x.json").read_text(), parse_constant=lambda word: pytest.fail(word))
    assert strict == {
        "nan": None,
        "inf": None,
        "when": "2026-05-14T13:20:00.123Z",
        "never": None,
        "array": [1.5, None],
        "flag": True,
        "count": 7,
        "3": [1, None],
    }


def test_keys_are_sorted_and_text_is_utf_8(tmp_path: Path) -> None:
    """The order of a dictionary does not reach the file."""
    manifest.write_json(tmp_path / "a.json", {"b": 1, "a": "Überzug"})
    manifest.write_json(tmp_path / "b.json", {"a": "Überzug", "b": 1})
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert "Überzug".encode() in (tmp_path / "a.json").read_bytes()


def test_readings_balance(record: model.LotRecord) -> None:
    """lines x spots = rows + off_mat + no_position + outside_limits, and rows = kept + dropped by reason.

    Each part is counted here by a plain loop over the reading's own facts.
    """
    swath, stations = record.swath, record.stations
    inside = stations.inside.copy()
    inside[: len(inside) // 3] = False
    placed = swath.placed.copy()
    placed[-50:] = 0
    changed = {name: getattr(record, name) for name in record.__dataclass_fields__}
    changed["stations"] = model.Stations(
        **{n: getattr(stations, n) for n in stations.__dataclass_fields__} | {"inside": inside}
    )
    changed["swath"] = model.Swath(
        **{n: getattr(swath, n) for n in swath.__dataclass_fields__} | {"placed": placed}
    )
    reason = np.where(
        manifest.expected_rows(model.LotRecord(**changed)),
        np.maximum(record.findings.reason, 0),
        model.NOT_A_ROW,
    )
    changed["findings"] = model.Findings(reason.astype(np.int8), record.findings.frames, {}, ())
    balance = manifest.reading_balance(model.LotRecord(**changed))
    counted = dict.fromkeys(("off_mat", "no_position", "outside_limits", "rows"), 0)
    for line in range(len(placed)):
        for spot, on_mat in enumerate(swath.on_mat[line]):
            word = (
                "off_mat"
                if not on_mat
                else "no_position"
                if placed[line] == 0
                else "rows"
                if inside[line, spot]
                else "outside_limits"
            )
            counted[word] += 1
    assert counted == {name: balance[name] for name in counted}
    assert balance["lines"] * balance["spots"] == sum(counted.values())
    assert balance["rows"] == balance["kept"] + sum(balance["dropped"].values())
    assert min(counted.values()) > 0


def test_the_manifest_lists_inputs_and_products_by_digest(record: model.LotRecord, tmp_path: Path) -> None:
    """Digests are those of sha256sum (GNU coreutils), sizes those of the file system."""
    (tmp_path / "tiles").mkdir()
    (tmp_path / "tiles" / "one.tif").write_bytes(b"one")
    content = manifest.manifest(record, tmp_path, {"tiles/one.tif": "tile"})
    done = subprocess.run(
        ["sha256sum", "tiles/one.tif"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert content["products"] == [
        {"role": "tile", "path": "tiles/one.tif", "sha256": done.stdout.split()[0], "bytes": 3}
    ]
    for source in content["inputs"]:
        raw = (record.config.folder / source["path"]).read_bytes()
        assert (source["sha256"], source["bytes"]) == (hashlib.sha256(raw).hexdigest(), len(raw))


def test_the_manifest_tells_versions_operation_and_configuration(
    record: model.LotRecord, tmp_path: Path
) -> None:
    """GDAL, PROJ and GEOS of each library, the pinned operation, every value in effect, and lot.toml."""
    content = manifest.plain(manifest.manifest(record, tmp_path, {}))
    assert set(content["versions"]["gdal"]) == {"fiona", "pyogrio", "rasterio"}
    assert content["operations"]["fixes_to_map"]["name"] == "truth"
    assert content["configuration"]["rules"]["id"] == "differential-150ft"
    assert content["configuration_text"] == (record.config.folder / "lot.toml").read_text()


def test_nothing_tells_machine_folder_or_clock(record: model.LotRecord, tmp_path: Path) -> None:
    """Neither file holds an absolute path, the host's name, or a date of today."""
    import socket
    from datetime import UTC, datetime

    text = json.dumps(manifest.plain([manifest.manifest(record, tmp_path, {}), manifest.quality(record, {})]))
    for word in (
        str(tmp_path),
        str(record.config.folder),
        str(Path.home()),
        socket.gethostname() + '"',
        datetime.now(UTC).strftime("%Y-%m-%dT%H"),
    ):
        assert word not in text


def test_quality_holds_every_count_and_doubt(record: model.LotRecord) -> None:
    """Tallies, balance, clock, wheel scale, residuals, frame zeros and doubts are all there, in SI."""
    content = manifest.quality(record, {"stops": 4})
    assert {
        "inputs",
        "readings",
        "clock",
        "wheel",
        "positions",
        "mat_frames",
        "statistic",
        "doubts",
        "findings",
    } <= set(content)
    assert content["layers"] == {"stops": 4}
    assert content["inputs"]["1_scan"]["read"] == len(record.swath.line)
    assert content["mat_frames"]["1"]["zero_m"] == record.stations.zero_m[0]
    assert content["statistic"]["cell_m"] == pytest.approx(0.3048)
    assert content["doubts"][0]["text"] == "These findings are invented for a test"
