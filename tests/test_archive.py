"""An archive keeps lots whole in plain folders: any change is found, any kill is survived, nothing is overwritten."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import bagit
import fiona
import geopandas as gpd
import numpy as np
import pyarrow.parquet as pq
import pyproj
import pystac
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from pystac.validation import set_validator
from pystac.validation.stac_validator import JsonSchemaSTACValidator

import builders
from thermosaic import archive, tables
from thermosaic.cli.entry import app
from thermosaic.errors import ConfigError, MismatchError, ProductError
from thermosaic.files import publishing
from thermosaic.files.shelves import bag
from thermosaic.opening import load_config
from thermosaic.results import verify_result
from thermosaic.stages.s7_publish import publish_lot
from thermosaic.synthetic import SyntheticLot
from true_record import true_record

HERE = Path(__file__).resolve().parent
DATA = Path(os.environ.get("THERMOSAIC_REAL_LOGS") or HERE.parent.parent / "shared" / "data")
SCHEMAS = DATA / "stac-schemas"
ROUTE = "Überlandstraße 7 — 国道"


def restated(lot: SyntheticLot, **lines: str) -> SyntheticLot:
    """Give a lot with keys of [lot] stated otherwise, as TOML values."""
    text = lot.files["lot.toml"].decode()
    for key, value in lines.items():
        text = re.sub(rf"(?m)^{key} = .*\n", "", text, count=1)
        text = text.replace("[lot]\n", f"[lot]\n{key} = {value}\n", 1)
    return replace(lot, files={**lot.files, "lot.toml": text.encode()})


def published(folder: Path, lot: SyntheticLot) -> tuple[Path, Path]:
    """Write a lot into folder/lot and publish what a run of it could give into folder/result."""
    record = true_record(folder / "lot", lot)
    return publish_lot(record, folder / "result", report=False).folder, folder / "lot"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Path]]:
    """Give results with their lot folders: SI, US, of the southern hemisphere, and a second revision of the first."""
    top = tmp_path_factory.mktemp("made")
    first = restated(builders.bend_and_stop_lot(), route=f'"{ROUTE}"')
    lots = {
        "si": first,
        "si2": restated(first, revision="2", reason='"Mark corrected"'),
        "us": builders.us_curve_lot(),
        "south": builders.two_lane_southern(),
    }
    return {name: published(top / name, lot) for name, lot in lots.items()}


@pytest.fixture(scope="module", autouse=True)
def made_is_verified_once(made: dict[str, tuple[Path, Path]]) -> Iterator[None]:
    """Let an addition take each of these results, which nobody writes, as verified; copies and bags verify anew."""
    again = {result: archive.verify_result(result) for result, _ in made.values()}
    verify = archive.verify_result
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(archive, "verify_result", lambda path: again[path] if path in again else verify(path))
        yield


@pytest.fixture(scope="module")
def season(made: dict[str, tuple[Path, Path]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give an archive of all of them, the first with its logs; read it, never write it."""
    top = tmp_path_factory.mktemp("archive") / "season"
    for name, (result, lot) in made.items():
        archive.add(top, result, lot if name in ("si", "us") else None)
    return top


def writable_copy(archived: Path, top: Path) -> Path:
    """Copy an archive so that it can be spoilt."""
    shutil.copytree(archived, top)
    for path in [top, *top.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    return top


@pytest.fixture
def own(season: Path, tmp_path: Path) -> Path:
    """Give a copy of the season."""
    return writable_copy(season, tmp_path / "season")


@pytest.fixture(scope="module")
def pair(made: dict[str, tuple[Path, Path]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give an archive of two lots; read it, never write it."""
    top = tmp_path_factory.mktemp("pair") / "season"
    archive.add(top, *made["si"])
    archive.add(top, made["us"][0])
    return top


@pytest.fixture
def spoilt(pair: Path, tmp_path: Path) -> Path:
    """Give a copy of it to spoil."""
    return writable_copy(pair, tmp_path / "season")


def bytes_of(top: Path) -> dict[str, bytes]:
    """Every file of a folder by relative name."""
    return {p.relative_to(top).as_posix(): p.read_bytes() for p in sorted(top.rglob("*")) if p.is_file()}


BAG = "lots/SYN-LOT/r1"


# ----------------------------------------------------------------------------------------------- the bags


def test_a_bag_follows_the_rules_of_the_standard(season: Path, made: dict) -> None:
    """RFC 8493: declaration (2.1.1), every payload file once in the manifest (2.1.3), tag manifest of every tag file
    but itself (2.2.1), Payload-Oxum of octets and streams (2.2.2); digests by hashlib, not by our own code."""
    folder = season / BAG
    assert (folder / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    payload = [p for p in (folder / "data").rglob("*") if p.is_file()]
    tags = [p for p in folder.iterdir() if p.is_file() and not p.name.startswith("tagmanifest")]
    for name, files in (("manifest-sha256.txt", payload), ("tagmanifest-sha256.txt", tags)):
        lines = (folder / name).read_text("utf-8").splitlines()
        meant = {
            f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(folder).as_posix()}" for p in files
        }
        assert (set(lines), len(lines)) == (meant, len(files))
    octets = sum(p.stat().st_size for p in payload)
    assert f"Payload-Oxum: {octets}.{len(payload)}\n" in (folder / "bag-info.txt").read_text("utf-8")
    assert bagit.Bag(str(folder)).validate()


def test_sha256sum_checks_a_bag_without_python(season: Path) -> None:
    """`sha256sum -c` of coreutils, the way README.txt names, finds every payload and tag file as stated."""
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
        done = subprocess.run(
            ["sha256sum", "--strict", "-c", name], cwd=season / BAG, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout
        assert len(done.stdout.splitlines()) == len((season / BAG / name).read_text().splitlines())


def test_the_result_and_the_logs_lie_in_the_bag_unchanged(season: Path, made: dict) -> None:
    """data/result is the result byte for byte, run.json too; data/lot is the lot folder; nothing may be written."""
    result, lot = made["si"]
    assert bytes_of(season / BAG / "data" / "result") == bytes_of(result)
    assert bytes_of(season / BAG / "data" / "lot") == bytes_of(lot)
    files = [p for p in season.rglob("*") if p.is_file()]
    assert {p.stat().st_mode & 0o777 for p in files} == {0o444}
    inside = [p for p in (season / BAG / "data").rglob("*") if p.is_dir()]
    assert {p.stat().st_mode & 0o222 for p in inside} == {0}


def test_the_same_lots_give_the_same_archive(season: Path, made: dict, tmp_path: Path) -> None:
    """Added in another order into another empty folder, every byte of the archive is the same."""
    for name in ("south", "si2", "us", "si"):
        result, lot = made[name]
        archive.add(tmp_path / "other", result, lot if name in ("si", "us") else None)
    assert bytes_of(tmp_path / "other") == bytes_of(season)


def test_the_same_result_again_changes_nothing(own: Path, made: dict, tmp_path: Path) -> None:
    """A result that differs in run.json alone, as a second run does, is archived already."""
    again = Path(shutil.copytree(made["si"][0], tmp_path / "again"))
    (again / "run.json").write_text('{"host": "another"}\n')
    before = bytes_of(own)
    added = archive.add(own, again)
    assert (added.already, added.bag) == (True, own / BAG)
    assert bytes_of(own) == before


def test_a_bag_takes_names_that_every_system_can_tell(tmp_path: Path) -> None:
    """Names with %, backslash or line end (bagit and sha256sum differ there), and two alike in case, are refused."""
    bag.check_names(["data/Höhe.csv", "data/国道.csv", "data/a b.csv"])
    for bad in ("data/50%.csv", "data/a\\b", "data/a\nb"):
        with pytest.raises(ProductError, match="rename"):
            bag.check_names([bad])
    with pytest.raises(ProductError, match="case"):
        bag.check_names(["data/Höhe.csv", "data/HO\u0308HE.csv"])


def test_logs_with_names_in_other_letters_are_archived(made: dict, tmp_path: Path) -> None:
    """A log named in letters beyond ASCII stands in the manifest in UTF-8, and sha256sum finds it."""
    lot = builders.bend_and_stop_lot()
    files = {("Höhe 国.csv" if name == "scan.csv" else name): raw for name, raw in lot.files.items()}
    files["lot.toml"] = files["lot.toml"].replace(b'"scan.csv"', '"Höhe 国.csv"'.encode())
    result, folder = published(tmp_path / "made", replace(lot, files=files))
    added = archive.add(tmp_path / "season", result, folder)
    done = subprocess.run(["sha256sum", "-c", bag.MANIFEST], cwd=added.bag, capture_output=True, text=True)
    assert (done.returncode, (added.bag / "data/lot/Höhe 国.csv").is_file()) == (0, True)
    assert archive.verify(tmp_path / "season") == []


# ------------------------------------------------------------------------------------------ the catalogue


def test_the_catalogue_is_valid_stac(season: Path) -> None:
    """Every item and the collection pass STAC 1.1's own JSON schemas and those of their extensions, offline."""
    if not SCHEMAS.is_dir():
        pytest.skip(f"STAC extension schemas are not at {SCHEMAS.parent.name} (THERMOSAIC_REAL_LOGS)")
    validator = JsonSchemaSTACValidator()
    for path in SCHEMAS.glob("*.schema.json"):
        schema = json.loads(path.read_text())
        validator.schema_cache[schema["$id"].rstrip("#")] = schema
    set_validator(validator)
    collection = pystac.Collection.from_file(str(season / "index" / "collection.json"))
    items = list(collection.get_items())
    assert len(items) == 4
    for item in items:
        assert len(item.validate()) == 1 + len(item.stac_extensions)
        bagged = next(season.glob(f"lots/*/r{item.properties['thermosaic:revision']}/item.json"))
        pystac.Item.from_file(str(bagged)).validate()
    collection.validate()
    spoiled = items[0].to_dict()
    spoiled["assets"]["lot.gpkg"]["file:checksum"] = "ÄÖ"
    with pytest.raises(pystac.errors.STACValidationError):
        pystac.Item.from_dict(spoiled).validate()


def test_an_item_states_what_its_files_hold(season: Path) -> None:
    """Digests (multihash 1220 = SHA-256 of 32 bytes), sizes, shape, transform and statistics of every asset are those
    that hashlib, rasterio and numpy find in the file; spots' rows those of pyarrow."""
    for path in (season / "index" / "items").glob("*.json"):
        for name, asset in json.loads(path.read_text())["assets"].items():
            file = path.parent / asset["href"]
            assert asset["file:checksum"] == "1220" + hashlib.sha256(file.read_bytes()).hexdigest()
            assert asset["file:size"] == file.stat().st_size
            if name == "spots.parquet":
                assert asset["table:row_count"] == pq.ParquetFile(file).metadata.num_rows
            if "bands" in asset:
                with rasterio.open(file) as raster:
                    assert asset["proj:shape"] == [raster.height, raster.width]
                    assert asset["proj:transform"] == pytest.approx(list(raster.transform)[:6])
                    masked = raster.read(masked=True).astype(float)
                for band, values in zip(asset["bands"], masked, strict=True):
                    stated = band["statistics"]
                    assert stated["count"] == values.count()
                    assert stated["minimum"] == values.min()
                    assert stated["mean"] == pytest.approx(values.mean(), rel=1e-12)
                    assert stated["stddev"] == pytest.approx(values.std(), rel=1e-9)


def test_footprints_lie_where_the_mats_lie(season: Path, made: dict) -> None:
    """Each outline equals the mat layer brought to WGS 84 by pyproj's own transformer, to what it is simplified by
    (0.1 m, 1e-7 degrees), for metric, US survey foot and southern maps alike; the accuracy stated is no better than
    the 2 m that EPSG gives for plain WGS 84."""
    for name, lot_id in (("si", "SYN-LOT.r1"), ("us", "SYN-US.r1"), ("south", "SYN-SOUTH.r1")):
        item = json.loads((season / "index" / "items" / f"{lot_id}.json").read_text())
        mat = gpd.read_file(made[name][0] / "lot.gpkg", layer="mat").to_crs("OGC:CRS84").union_all()
        outline = shapely.geometry.shape(item["geometry"])
        assert outline.is_valid
        assert outline.hausdorff_distance(mat) < 3e-6  # degrees, 0.3 m
        assert item["bbox"] == pytest.approx(list(outline.bounds))
        assert item["properties"]["thermosaic:footprint_accuracy_m"] >= 2.0
        times = [item["properties"][f"{end}_datetime"] for end in ("start", "end")]
        laid = gpd.read_file(made[name][0] / "lot.gpkg", layer="mat")
        meant = [laid["laid_from_utc"].min(), laid["laid_to_utc"].max()]
        assert [abs((np.datetime64(t[:-1]) - m.tz_localize(None).to_datetime64()) / np.timedelta64(1, "ms"))
                for t, m in zip(times, meant, strict=True)] == pytest.approx([0, 0], abs=1)  # fmt: skip


def test_any_gis_opens_the_index(season: Path) -> None:
    """fiona and geopandas, two readers, see one layer of outlines in longitude and latitude with the declared columns;
    its numbers are SI though a lot was delivered in feet, and the bag's digest is that of its tag manifest."""
    path = season / "index" / "lots.gpkg"
    with fiona.open(path, layer="lots") as layer:
        assert list(layer.schema["properties"]) == [column.name for column in tables.LOTS.columns]
        assert (layer.schema["geometry"], layer.crs.to_epsg(), len(layer)) == ("MultiPolygon", 4326, 4)
    rows = gpd.read_file(path, layer="lots").set_index("feature_uid")
    us = gpd.read_file(season / "lots/SYN-US/r1/data/result/lot.gpkg", layer="lot")
    whole = us[us["pass_id"].isna()].iloc[0]
    factor = pyproj.CRS("EPSG:6551").axis_info[0].unit_conversion_factor
    assert rows.loc["SYN-US.r1", "paved_m"] == pytest.approx(whole["paved_ft"] * factor, abs=1e-3)
    assert rows.loc["SYN-US.r1", "station_from_label"] == whole["station_from_label"]
    assert {"NAD83(2011) / Ohio South (ftUS)", "GDA2020 / MGA zone 56"} <= set(
        rows["map_crs"]
    )  # EPSG's names
    for _, row in rows.iterrows():
        tag = season / row["bag"] / "tagmanifest-sha256.txt"
        assert row["bag_sha256"] == hashlib.sha256(tag.read_bytes()).hexdigest()
    assert rows.loc["SYN-LOT.r1", "route"] == ROUTE


# ------------------------------------------------------------------------------------- revisions and finding


def test_a_revision_supersedes_and_both_stay(season: Path) -> None:
    """The older revision keeps its bag and is marked in index and catalogue, by the link relations of RFC 5829; `find`
    shows the newest of each lot, and all when asked."""
    newest = archive.find(season)
    assert set(newest["feature_uid"]) == {"SYN-LOT.r2", "SYN-US.r1", "SYN-SOUTH.r1"}
    assert newest["paved_on"].is_monotonic_increasing
    every = archive.find(season, superseded=True).set_index("feature_uid")
    assert every.loc["SYN-LOT.r1", ["standing", "superseded_by"]].tolist() == ["superseded", "SYN-LOT.r2"]
    assert verify_result(season / BAG / "data" / "result") == []
    older, newer = (json.loads((season / f"index/items/SYN-LOT.r{n}.json").read_text()) for n in (1, 2))
    rels = {link["rel"]: link["href"] for link in older["links"]}
    assert rels["latest-version"] == rels["successor-version"] == "./SYN-LOT.r2.json"
    assert {
        "rel": "predecessor-version",
        "href": "./SYN-LOT.r1.json",
        "type": "application/geo+json",
    } in newer["links"]


def test_a_lot_that_names_another_supersedes_it(own: Path, tmp_path: Path) -> None:
    """[lot] supersedes = another lot's id marks every revision of that one, whatever the ids."""
    lot = restated(builders.bend_and_stop_lot(lot_id="SYN-NEW"), supersedes='"SYN-LOT"', reason='"Renamed"')
    archive.add(own, published(tmp_path / "made", lot)[0])
    every = archive.find(own, superseded=True).set_index("feature_uid")
    assert set(every.loc[["SYN-LOT.r1", "SYN-LOT.r2"], "superseded_by"]) == {"SYN-NEW.r1"}
    assert archive.verify(own) == []


def test_lots_are_found_by_what_people_ask(season: Path) -> None:
    """Route, lane, lift, days, class, box and place; a distance is the geodesic one of GeographicLib (pyproj.Geod)."""

    def ids(**asked: object) -> list[str]:
        return list(archive.find(season, **asked)["lot_id"])

    everything = archive.find(season).set_index("lot_id")
    assert ids(route="überland") == ["SYN-LOT"]
    assert ids(route="nowhere") == []
    us = everything.loc["SYN-US"]
    assert "SYN-US" in ids(lift=int(us["lift"]), lane=us["lane"])
    assert "SYN-US" not in ids(lift=int(us["lift"]) + 1) + ids(lane="99")
    assert everything.loc["SYN-SOUTH", "lane"] == "1 & 2"
    assert ids(lane="2") == ["SYN-SOUTH"]
    day = date.fromisoformat(everything.loc["SYN-SOUTH", "paved_on"])
    assert "SYN-SOUTH" in ids(from_=day, to=day)
    assert "SYN-SOUTH" not in ids(from_=date(2099, 1, 1)) + ids(to=date(1999, 1, 1))
    assert ids(bbox=(150, -33, 152, -31)) == ["SYN-SOUTH"]
    for lot_id, row in everything.iterrows():
        counts = dict(reversed(part.split(" ", 1)) for part in row["classes"].split(", "))
        assert [lot_id in ids(class_word=word) for word in counts] == [int(n) > 0 for n in counts.values()]
    outline = everything.loc["SYN-US"].geometry
    west, south, _, _ = outline.bounds
    found = archive.find(season, near=(south, west - 0.005), within_m=2000)
    points = shapely.get_coordinates(outline.segmentize(1e-6))
    geodesic = (
        pyproj.Geod(ellps="WGS84")
        .inv(*np.full((len(points), 2), (west - 0.005, south)).T, *points.T)[2]
        .min()
    )
    assert found["distance_m"].tolist() == pytest.approx([geodesic], abs=0.1)
    assert ids(near=(outline.centroid.y, outline.centroid.x), within_m=500) == ["SYN-US"]
    assert ids(near=(0.0, 0.0)) == []


def test_notes_are_appended_beside_the_bag(own: Path) -> None:
    """A note carries its author's date and words, bags keep every byte, the index counts it, a formula is disarmed."""
    before = bytes_of(own / BAG)
    archive.note(own, "SYN-LOT/r1", "Kerne  3 und 4\ngebohrt", date(2026, 6, 2), "Ö. Vex")
    path = archive.note(own, "SYN-LOT", "=1+1", date(2026, 5, 1))
    assert path.read_text("utf-8").splitlines() == [
        "revision,stated_date,author,text",
        "1,2026-06-02,Ö. Vex,Kerne 3 und 4 gebohrt",
        "2,2026-05-01,,'=1+1",
    ]
    assert bytes_of(own / BAG) == before
    assert archive.find(own, route="über")["note_count"].tolist() == [2]
    assert archive.verify(own) == []
    with pytest.raises(ConfigError, match="empty"):
        archive.note(own, "SYN-LOT", " ", date(2026, 5, 1))


def test_an_extracted_lot_is_whole_and_may_be_worked_with(own: Path, made: dict, tmp_path: Path) -> None:
    """What comes out is what went in, writable, with logs and notes; it makes the same bag in another archive."""
    archive.note(own, "SYN-US", "Seen", date(2026, 6, 2))
    out = archive.extract(own, "SYN-US", tmp_path / "out")
    assert bytes_of(out / "result") == bytes_of(made["us"][0])
    assert bytes_of(out / "lot") == bytes_of(made["us"][1])
    assert load_config(out / "lot").lot.id == "SYN-US"
    assert (out / "notes.csv").is_file()
    assert all(p.stat().st_mode & 0o200 for p in out.rglob("*"))
    again = archive.add(tmp_path / "other", out / "result", out / "lot")
    assert bytes_of(again.bag) == bytes_of(own / "lots/SYN-US/r1")
    assert archive.extract(own, "SYN-LOT/r1", tmp_path / "old") == tmp_path / "old"
    with pytest.raises(ConfigError, match="exists already"):
        archive.extract(own, "SYN-US", tmp_path / "out")
    with pytest.raises(ConfigError, match="SYN-LOT"):
        archive.extract(own, "SYN-NONE", tmp_path / "none")


# ------------------------------------------------------------------------------------------------ refusals


def test_a_result_that_does_not_verify_is_refused(made: dict, tmp_path: Path) -> None:
    """A changed, cut or foreign file in a result stops it, and no archive shows a trace of it."""
    for number, spoil in enumerate((
        lambda r: (r / "spots.parquet").write_bytes(b"PAR1"),
        lambda r: (r / "mosaic.vrt").unlink(),
        lambda r: (r / "mine.docx").write_text("mine"),
        lambda r: (r / "quality.json").write_text("{}"),
    )):  # fmt: skip
        result = Path(shutil.copytree(made["si"][0], tmp_path / f"result{number}"))
        spoil(result)
        with pytest.raises(ProductError, match="does not verify"):
            archive.add(tmp_path / "season", result)
    assert not (tmp_path / "season").exists()
    with pytest.raises(ConfigError, match="is no folder"):
        archive.add(tmp_path / "season", tmp_path / "nowhere")


def test_other_content_never_replaces_a_revision(own: Path, tmp_path: Path) -> None:
    """Another result under an archived id and revision is refused, and nothing moves."""
    other, _ = published(tmp_path / "made", restated(builders.bend_and_stop_lot(), route='"Elsewhere"'))
    before = bytes_of(own)
    with pytest.raises(MismatchError, match="higher"):
        archive.add(own, other)
    assert bytes_of(own) == before


def test_logs_must_be_those_of_the_result(made: dict, tmp_path: Path) -> None:
    """Another lot's folder, a changed log, and logs for a bag archived without them are refused in plain words."""
    result, lot = made["si"]
    with pytest.raises(MismatchError, match=r"lot\.toml"):
        archive.add(tmp_path / "season", result, made["us"][1])
    changed = Path(shutil.copytree(lot, tmp_path / "lot"))
    scan = changed / "scan.csv"
    scan.write_bytes(scan.read_bytes() + b"\n")
    with pytest.raises(MismatchError, match=r"scan\.csv"):
        archive.add(tmp_path / "season", result, changed)
    archive.add(tmp_path / "season", result)
    with pytest.raises(ConfigError, match="without its logs"):
        archive.add(tmp_path / "season", result, lot)


def test_foreign_folders_are_never_touched(made: dict, tmp_path: Path) -> None:
    """A folder of something else, a file, a link, and a folder marked by something else are refused as they are."""
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_text("mine")
    (tmp_path / "file").write_text("mine")
    (tmp_path / "link").symlink_to("photos")
    (tmp_path / "marked").mkdir()
    (tmp_path / "marked" / "archive.json").write_text('{"layout": 99}')
    for name in ("photos", "file", "link", "marked", "missing/deep"):
        for call in (lambda top: archive.add(top, made["si"][0]), archive.verify, archive.find):
            with pytest.raises((ProductError, ConfigError)):
                call(tmp_path / name)
    assert sorted(p.name for p in tmp_path.rglob("*")) == [
        "a.jpg",
        "archive.json",
        "file",
        "link",
        "marked",
        "photos",
    ]


def test_an_id_that_differs_in_case_only_is_refused(own: Path, tmp_path: Path) -> None:
    """Two lots that a Windows share could not tell apart do not enter one archive."""
    result, _ = published(tmp_path / "made", builders.bend_and_stop_lot(lot_id="Syn-Lot"))
    with pytest.raises(MismatchError, match="case only"):
        archive.add(own, result)


def test_a_missing_library_is_named_with_its_command(made: dict, tmp_path: Path, monkeypatch) -> None:
    """Without the extra, one sentence says what to install."""
    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "bagit" else real(name))
    with pytest.raises(ConfigError, match=r"needs bagit.*pip install \"thermosaic\[archive\]\""):
        archive.add(tmp_path / "season", made["si"][0])


# ------------------------------------------------------------------------------------------------ tampering


def appended(name: str) -> Callable[[Path], None]:
    """Add a byte to a file."""
    return lambda top: (top / name).write_bytes((top / name).read_bytes() + b"x")


def edited(statement: str) -> Callable[[Path], None]:
    """Edit the index as a careless GIS user would."""

    def spoil(top: Path) -> None:
        with closing(sqlite3.connect(top / "index/lots.gpkg")) as base:
            for (trigger,) in base.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall():
                base.execute(f'DROP TRIGGER "{trigger}"')
            base.execute(statement)
            base.commit()

    return spoil


without_row = edited("DELETE FROM lots WHERE lot_id = 'SYN-US'")


def other_item(top: Path) -> None:
    """State another statistic in the catalogue."""
    path = top / "index/items/SYN-LOT.r1.json"
    path.write_text(path.read_text().replace('"maximum": 1', '"maximum": 2', 1))


def resealed(top: Path) -> None:
    """Change an item in a bag and seal the bag anew, as only someone who means it would."""
    path = top / BAG / "item.json"
    path.write_text(re.sub(r'"thermosaic:zone_count": \d+', '"thermosaic:zone_count": 77', path.read_text()))
    bag.write_bag(top / BAG, {})


SPOILT = {
    "raster": (appended(f"{BAG}/data/result/mat.tif"), f"{BAG}: data/result/mat.tif: its bytes changed"),
    "GeoPackage": (appended(f"{BAG}/data/result/lot.gpkg"), f"{BAG}: data/result: lot.gpkg: has"),
    "spots": (appended(f"{BAG}/data/result/spots.parquet"), f"{BAG}: data/result/spots.parquet: its bytes changed"),
    "log": (appended(f"{BAG}/data/lot/scan.csv"), f"{BAG}: data/lot/scan.csv: its bytes changed"),
    "oxum": (appended(f"{BAG}/data/lot/scan.csv"), f"{BAG}: bag-info.txt: Payload-Oxum"),
    "tag": (appended(f"{BAG}/bag-info.txt"), f"{BAG}: bag-info.txt: its bytes changed"),
    "declaration": (appended(f"{BAG}/bagit.txt"), f"{BAG}: bagit.txt: does not declare BagIt 1.0"),
    "manifest": (appended(f"{BAG}/manifest-sha256.txt"), f"{BAG}: is no bag: manifest-sha256.txt"),
    "missing": (lambda top: (top / BAG / "data/lot/lot.toml").unlink(), f"{BAG}: data/lot/lot.toml: is missing"),
    "side file": (
        lambda top: (top / BAG / "data/result/mat.tif.aux.xml").write_text("<a/>"),
        f"{BAG}: data/result/mat.tif.aux.xml: is not listed in manifest-sha256.txt: it was added later",
    ),
    "sealed anew": (resealed, f"{BAG}: item.json: properties.thermosaic:zone_count is 77"),
    "lost bag": (lambda top: shutil.rmtree(top / "lots/SYN-US"), "index: items: SYN-US.r1 has no bag"),
    "row": (without_row, "index: lots.gpkg: layer lots: 1 rows, expected 2"),
    "value": (edited("UPDATE lots SET zone_count = 0"), "index: lots.gpkg: layer lots: column zone_count"),
    "item": (other_item, "index: items/SYN-LOT.r1.json: assets."),
    "collection": (lambda top: (top / "index/collection.json").unlink(), "index: collection.json: cannot be read"),
    "notes": (lambda top: (top / "lots/SYN-LOT/notes.csv").write_text("a,b\n"), "lots/SYN-LOT/notes.csv: its columns"),
    "stray": (lambda top: (top / "photo.jpg").write_text("mine"), "photo.jpg: does not belong"),
}  # fmt: skip


TOGETHER = {
    "in a bag and beside it": (
        "raster", "GeoPackage", "spots", "log", "oxum", "tag", "declaration", "missing", "side file", "row", "stray",
        "notes",
    ),
    "a manifest, and in the index": ("manifest", "value", "item"),
    "sealed anew, no collection": ("sealed anew", "collection"),
    "a bag lost": ("lost bag",),
}  # fmt: skip


@pytest.mark.parametrize("kinds", TOGETHER.values(), ids=TOGETHER)
def test_each_kind_of_tampering_is_named(spoilt: Path, kinds: tuple[str, ...]) -> None:
    """Each changed file is found and named with its place, not only the first; what lies elsewhere is not blamed."""
    for kind in kinds:
        SPOILT[kind][0](spoilt)
    found = archive.verify(spoilt)
    assert [SPOILT[k][1] for k in kinds if not any(line.startswith(SPOILT[k][1]) for line in found)] == []
    assert not any(line.startswith("lots/SYN-US") for line in found)


def test_each_kind_of_tampering_is_tried() -> None:
    """Every kind above stands in one of the groups."""
    assert sorted(kind for kinds in TOGETHER.values() for kind in kinds) == sorted(SPOILT)


def test_one_lot_answers_for_itself(spoilt: Path) -> None:
    """Asked for alone, a sound lot is sound beside a damaged one, and the damaged one is not copied out."""
    SPOILT["raster"][0](spoilt)
    assert archive.verify(spoilt, "SYN-US") == []
    assert len(archive.verify(spoilt, "SYN-LOT/r1")) >= 2
    with pytest.raises(ProductError, match="damaged"):
        archive.extract(spoilt, "SYN-LOT/r1", spoilt.parent / "out")


def test_the_index_is_made_anew_from_the_bags_alone(spoilt: Path, pair: Path) -> None:
    """With the whole index gone or spoilt, --rebuild gives the bytes it had."""
    shutil.rmtree(spoilt / "index")
    with pytest.raises(ProductError, match="--rebuild"):
        archive.find(spoilt)
    assert any("--rebuild" in line for line in archive.verify(spoilt))
    assert archive.verify(spoilt, rebuild=True) == []
    assert bytes_of(spoilt) == bytes_of(pair)
    without_row(spoilt)
    assert archive.verify(spoilt, rebuild=True) == []
    assert bytes_of(spoilt) == bytes_of(pair)


# ----------------------------------------------------------------------------------- kills, failures, two at once


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="a child killed at a step needs fork (POSIX)")
def test_a_kill_at_any_step_leaves_a_valid_archive(made: dict, tmp_path: Path) -> None:
    """Killed (SIGKILL) before and after each rename and exchange, and between makings of folders: what is there
    verifies once looked at, and adding again gives, byte for byte, the archive that nobody disturbed."""
    result = made["si"][0]
    archive.add(tmp_path / "calm", result)
    script = [sys.executable, str(HERE / "archive_and_die.py"), str(result), str(tmp_path / "killed")]
    (tmp_path / "killed").mkdir()
    done = subprocess.run(script, capture_output=True, text=True, check=True)
    count = int(done.stdout)
    assert count > 10
    states = set()
    for number in range(1, count + 1):
        top = tmp_path / "killed" / str(number)
        if (top / "archive.json").exists():
            assert archive.verify(top) == [], number
            states.add((top / BAG).is_dir())
        archive.add(top, result)
        assert bytes_of(top) == bytes_of(tmp_path / "calm")
    assert states == {False, True}


@pytest.mark.parametrize("call", ["rename", "fsync", "chmod", "replace"])
def test_a_refusing_disk_leaves_the_archive_as_it_was_or_complete(
    made: dict, tmp_path: Path, call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever call of the system fails, however late, the error is plain, and the next addition completes it."""
    top, result = tmp_path / "season", made["south"][0]
    archive.add(top, made["us"][0])
    real, left = getattr(os, call), [0]

    def refusing(*arguments: object, **named: object) -> object:
        left[0] -= 1
        if left[0] == 0:
            raise OSError(28, "No space left on device")
        return real(*arguments, **named)

    monkeypatch.setattr(os, call, refusing)
    said: list[str] = []
    for at in (1, 2, 30):
        left[0] = at
        try:
            archive.add(top, result)
            archive.note(top, "SYN-US", "Seen", date(2026, 6, 2))
        except ProductError as error:
            said.append(str(error))
        left[0] = 0
        assert archive.verify(top) == []
    assert said
    assert all("No space left" in text for text in said)


@pytest.mark.parametrize("exchange", [True, False], ids=["exchange", "two renames"])
def test_the_index_is_exchanged_where_the_system_cannot_too(
    spoilt: Path, made: dict, tmp_path: Path, exchange: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With and without the system's exchange of folders, nothing of the work stays behind."""
    if not exchange:
        monkeypatch.setattr(publishing, "exchange", lambda first, second: False)
    archive.note(spoilt, "SYN-US", "one", date(2026, 6, 2))
    archive.note(spoilt, "SYN-US", "two", date(2026, 6, 3))
    assert archive.verify(spoilt) == []
    assert sorted(p.name for p in spoilt.iterdir()) == ["README.txt", "archive.json", "index", "lots"]


def test_two_writers_do_not_meet(own: Path, made: dict) -> None:
    """While one process holds the archive, another is told who and since when, and changes nothing."""
    before = bytes_of(own)
    with publishing.locked(own / "index"):
        for call in (
            lambda: archive.add(own, made["si"][0]),
            lambda: archive.note(own, "SYN-US", "a", date(2026, 6, 2)),
            lambda: archive.verify(own, rebuild=True),
        ):
            with pytest.raises(ProductError, match=f"locked by process {os.getpid()} on"):
                call()
        assert archive.verify(own, "SYN-US") == []
    assert bytes_of(own) == before


def test_two_additions_at_once_both_arrive_or_say_so(made: dict, tmp_path: Path) -> None:
    """Two processes that add at once into a new archive: each either adds or is told of the lock; then all is whole."""
    code = "import sys; from thermosaic import archive; archive.add(sys.argv[1], sys.argv[2])"
    names = ("si", "us")
    jobs = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path / "season"), str(made[name][0])],
            stderr=subprocess.PIPE,
            text=True,
        )
        for name in names
    ]
    said = [job.communicate()[1] for job in jobs]
    for job, text, name in zip(jobs, said, names, strict=True):
        assert job.returncode == 0 or "locked by" in text
        assert archive.add(tmp_path / "season", made[name][0]).already == (job.returncode == 0)
    assert archive.verify(tmp_path / "season") == []
    assert len(archive.find(tmp_path / "season")) == 2


# --------------------------------------------------------------------------------------------- the command line


def run(*words: object) -> tuple[int, str]:
    """Call the command line; exit code and output."""
    done = CliRunner().invoke(app, [str(word) for word in words])
    code = getattr(done.exception, "exit_code", done.exit_code) if done.exception else done.exit_code
    return code, done.output + str(done.exception or "")


def test_commands_say_what_they_did_with_their_exit_codes(own: Path, made: dict, tmp_path: Path) -> None:
    """0 done or there already, 2 usage, 5 damaged, 6 several added with one refused; find prints table and JSON."""
    top = tmp_path / "new"
    bad = Path(shutil.copytree(made["us"][0], tmp_path / "bad"))
    (bad / "spots.parquet").unlink()
    code, said = run("archive", "add", top, bad, made["si"][0])
    assert (code, "SYN-LOT revision 1 added" in said, "refused" in said) == (6, True, True)
    assert run("archive", "add", top, bad)[0] == 5
    code, said = run("archive", "add", top, made["si"][0])
    assert (code, "is archived already" in said) == (0, True)
    assert run("archive", "add", top, made["si"][0], made["us"][0], "--lot", made["si"][1])[0] == 2
    code, said = run("archive", "verify", own)
    assert (code, "all of it checks" in said) == (0, True)
    code, said = run("archive", "find", own, "--superseded")
    assert (code, "lots/SYN-LOT/r1 superseded by SYN-LOT.r2" in said, ROUTE in said) == (0, True, True)
    code, said = run("archive", "find", own, "--json", "--route", "über")
    assert (code, json.loads(said)[0]["bag"]) == (0, "lots/SYN-LOT/r2")
    for wrong in (("--near", "43"), ("--bbox", "1, 99, 2, 3"), ("--from", "May"), ("--within", "5")):
        assert run("archive", "find", own, *wrong)[0] == 2
    assert run("archive", "note", own, "SYN-US", "text")[0] == 2
    assert run("archive", "note", own, "SYN-US", "text", "--on", "2026-06-02")[0] == 0
    appended(f"{BAG}/data/lot/scan.csv")(own)
    code, said = run("archive", "verify", own, "SYN-LOT")
    assert (code, "scan.csv" in said) == (5, True)


def test_a_damaged_bag_or_note_stops_the_index_and_is_named(spoilt: Path) -> None:
    """Where notes or an item cannot be read, no index is made over them: the file is named, and the old one stays."""
    before = (spoilt / "index" / "lots.gpkg").read_bytes()
    for name in ("lots/SYN-US/notes.csv", "lots/SYN-LOT/r1/item.json"):
        kept = (spoilt / name).read_bytes() if (spoilt / name).exists() else None
        (spoilt / name).write_bytes(b"\xff{")
        with pytest.raises(ProductError, match=name.rsplit("/", 1)[1]):
            archive.verify(spoilt, rebuild=True)
        assert any(line.startswith(name.rsplit("/", 1)[0]) for line in archive.verify(spoilt))
        (spoilt / name).unlink() if kept is None else (spoilt / name).write_bytes(kept)
    assert (spoilt / "index" / "lots.gpkg").read_bytes() == before
    assert archive.verify(spoilt) == []
