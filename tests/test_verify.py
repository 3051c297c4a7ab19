"""Every folder that the program writes is re-checked whole, and a result is rebuilt from its lot to the byte."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
import stat
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
import rasterio

from command_line import thermosaic
from thermosaic import beside, rebuilding
from thermosaic.beside import comparing
from thermosaic.errors import ConfigError, MismatchError
from thermosaic.files.manifest import sha256_of
from thermosaic.rebuilding import rebuild_result
from thermosaic.results import open_result
from thermosaic.studies.plan_cores import PlanRule
from thermosaic.verifying import KINDS, verify_folder

CORES = "core_id,station,offset_m,density,unit,gmm\nC1,{},0.4,93.1,%,2.51\nC2,{},0.2,92.0,%,2.51\n"


def _edit_manifest(folder: Path, change: Callable[[dict], None]) -> None:
    listed = json.loads((folder / "manifest.json").read_text())
    change(listed)
    (folder / "manifest.json").write_text(json.dumps(listed, indent=2, sort_keys=True) + "\n")


def _list_again(folder: Path) -> None:
    """Write sizes and digests of what is there into the manifest, as a forger would: only checkers can tell now."""

    def change(listed: dict) -> None:
        for item in listed["products"]:
            path = folder / item["path"]
            item.update(bytes=path.stat().st_size, sha256=sha256_of(path))

    _edit_manifest(folder, change)


@pytest.fixture(scope="module")
def beside_it(crew_result: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with two results of other ids, a comparison of them, and cores with an overlay; never write it."""
    top = tmp_path_factory.mktemp("site")
    for number in (1, 2):
        shutil.copytree(crew_result, top / f"lift{number}")
        _edit_manifest(top / f"lift{number}", lambda listed, number=number: _renamed(listed, number))
    comparing.compare((top / "lift1", top / "lift2"), top / "compared")
    spots = open_result(top / "lift1").spots(["station_m"])["station_m"]
    labels = [f"{feet // 100:.0f}+{feet % 100:04.1f}" for feet in spots.quantile([0.3, 0.6]) / (1200 / 3937)]
    (top / "cores.csv").write_text(CORES.format(*labels))
    beside.overlay(top / "lift1", (top / "cores.csv",), top / "laid", sigma_m=0.1)
    beside.plan_cores(top / "lift1", top / "planned", PlanRule(sublot_m=50.0, per_sublot=2), seed="S-1")
    return top


def _renamed(listed: dict, number: int) -> None:
    listed["lot_id"] = f"LIFT-{number}"
    listed["configuration"]["lot"].update(id=f"LIFT-{number}", lift=number)


@pytest.fixture
def site(beside_it: Path, tmp_path: Path) -> Path:
    """Give a copy of all of it, to spoil."""
    return Path(shutil.copytree(beside_it, tmp_path / "site"))


def _folders(crew_result: Path, top: Path) -> dict[str, Path]:
    return {
        "run": crew_result,
        "compare": top / "compared",
        "overlay": top / "laid",
        "cores": top / "planned",
    }


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_published_is_whole(kind, crew_result, beside_it) -> None:
    """As published nothing differs, every byte stays, and nothing needs to be said of results that lie beside."""
    folder = _folders(crew_result, beside_it)[kind]
    before = {path: sha256_of(path) for path in folder.rglob("*") if path.is_file()}
    found = verify_folder(folder)
    assert (found.kind, found.differences) == (kind, ())
    assert [note for note in found.notes if "cores.csv" not in note] == []
    assert {path: sha256_of(path) for path in folder.rglob("*") if path.is_file()} == before
    assert thermosaic("verify", folder).returncode == 0


@pytest.mark.parametrize("kind", KINDS)
def test_one_flipped_byte_in_each_kind_of_product_is_named(kind, crew_result, site, tmp_path) -> None:
    """A byte flipped in one file of each ending, all at once: each of these files is named, none is the last word."""
    folder = _folders(crew_result, site)[kind]
    if kind == "run":
        folder = Path(shutil.copytree(crew_result, tmp_path / "result"))
    listed = [item["path"] for item in json.loads((folder / "manifest.json").read_text())["products"]]
    chosen = {Path(name).suffix: name for name in listed}
    for name in chosen.values():
        raw = bytearray((folder / name).read_bytes())
        raw[len(raw) // 2] ^= 0x20
        (folder / name).write_bytes(raw)
    found = verify_folder(folder).differences
    assert len(chosen) >= {"run": 12, "compare": 5, "overlay": 4, "cores": 4}[kind]
    for name in chosen.values():
        assert f"{name}: its bytes changed since it was published" in found
    assert thermosaic("verify", folder).returncode == 5


@pytest.mark.parametrize("kind", KINDS)
def test_missing_and_foreign_files_are_all_named(kind, crew_result, site, tmp_path) -> None:
    """A file taken away, one added, and the list of files damaged beyond reading: each is said, exit 5 and not 2."""
    folder = _folders(crew_result, site)[kind]
    if kind == "run":
        folder = Path(shutil.copytree(crew_result, tmp_path / "result"))
    first = sorted(folder.rglob("*.csv"))[0]
    first.unlink()
    (folder / "notes.docx").write_text("by somebody")
    found = verify_folder(folder).differences
    assert f"{first.relative_to(folder).as_posix()}: is missing" in found
    assert "notes.docx: is not listed in manifest.json" in found
    (folder / "manifest.json").write_text("{")
    assert "manifest.json: cannot be read" in verify_folder(folder).differences[0]
    assert thermosaic("verify", folder).returncode == 5


def _drop_row(path: Path) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows[:-1])


def _drop_feature(package: Path, layer: str) -> None:
    with closing(sqlite3.connect(package)) as base:
        for (trigger,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{trigger}"')
        base.execute(f'DELETE FROM "{layer}" WHERE fid = 1')
        base.commit()


def test_checkers_of_a_comparison_need_no_digest(site) -> None:
    """With sizes and digests forged, the page's picture, a lost row, a plain GeoTIFF and a column are still found."""
    folder = site / "compared"
    page = folder / "compare.html"
    page.write_text(page.read_text().replace("</body>", '<img src="https://example.org/a.png"></body>'))
    _drop_row(folder / "tables" / "profile_pairs.csv")
    text = (folder / "tables" / "places.csv").read_text()
    (folder / "tables" / "places.csv").write_text(text.replace("lot_id", "lott_id", 1))
    raster = next(folder.glob("difference_*.tif"))
    with rasterio.open(raster) as file:
        profile, values = file.profile, file.read()
    with rasterio.open(raster, "w", **(profile | {"driver": "GTiff"})) as file:
        file.write(values)
    _list_again(folder)
    found = "\n".join(verify_folder(folder).differences)
    for words in (
        "compare.html: refers to https://example.org/a.png",
        "tables/profile_pairs.csv:",
        "its layer has",
        "tables/places.csv: has other columns: ['lot_id', 'lott_id']",
        "layout is None, not COG",
    ):
        assert words in found, words


def test_checkers_of_an_overlay_need_no_digest(site) -> None:
    """With sizes and digests forged, a core taken out of the layer and a sheet that is no PNG are still found."""
    folder = site / "laid"
    _drop_feature(folder / "overlay.gpkg", "cores")
    (folder / "overlay.png").write_bytes(b"GIF89a")
    _list_again(folder)
    found = verify_folder(folder).differences
    assert "tables/cores.csv: 2 rows, its layer has 1" in found
    assert "overlay.png: is no PNG" in found


def test_checkers_of_a_core_plan_need_no_digest(site) -> None:
    """With sizes and digests forged, a site taken off the list to fill in and a renamed waypoint are still found."""
    folder = site / "planned"
    _drop_row(folder / "cores_to_fill.csv")
    points = (folder / "random_cores.gpx").read_text()
    (folder / "random_cores.gpx").write_text("<name>X".join(points.rsplit("<name>", 1)))
    _drop_row(folder / "tables" / "sublots.csv")
    _list_again(folder)
    found = "\n".join(verify_folder(folder).differences)
    assert "cores_to_fill.csv: does not list the places of random_cores" in found
    assert "random_cores.gpx: other places than random_cores" in found
    assert "tables/sublots.csv:" in found


def test_checkers_of_a_result_reach_page_and_tables(crew_result, tmp_path) -> None:
    """With sizes and digests forged, a page without its policy and a table without its last row are still found."""
    folder = Path(shutil.copytree(crew_result, tmp_path / "result"))
    page = folder / "report.html"
    page.write_text(page.read_text().replace("Content-Security-Policy", "refresh"))
    _drop_row(folder / "tables" / "profiles.csv")
    _list_again(folder)
    found = verify_folder(folder).differences
    assert any("no Content-Security-Policy" in text for text in found)
    assert any(text.startswith("tables/profiles.csv:") and "its layer has" in text for text in found)


def test_what_it_was_made_from_is_told_and_counts_only_where_given(site) -> None:
    """A result changed since: a note; given with --from: a difference, exit 5; gone: said; a stranger: exit 2."""
    with (site / "lift1" / "quality.json").open("a") as file:
        file.write(" ")
    found = verify_folder(site / "compared")
    assert found.differences == ()
    assert "quality.json changed" in found.notes[0]
    given = thermosaic("verify", site / "compared", "--from", site / "lift1")
    assert given.returncode == 5
    assert "quality.json changed since compared was made from it" in given.stdout
    (site / "cores.csv").write_text("core_id\n")
    assert "cores.csv changed" in verify_folder(site / "laid", (site / "cores.csv",)).differences[0]
    shutil.rmtree(site / "lift2")
    assert (
        "the result LIFT-2 revision 1 was not looked at: name it with --from"
        in verify_folder(site / "compared").notes
    )
    with pytest.raises(ConfigError, match="was not made from it"):
        verify_folder(site / "laid", (site / "compared",))


def test_a_comparison_cannot_be_rebuilt_from_a_lot(beside_it, crew_lot) -> None:
    """--rebuild takes a RESULT, and --from what a study was made from: the other way round is exit 2."""
    assert thermosaic("verify", beside_it / "compared", "--rebuild", crew_lot).returncode == 2
    assert thermosaic("verify", beside_it / "lift1", "--from", crew_lot).returncode == 2


def test_what_is_no_folder_of_ours_is_a_matter_of_usage(tmp_path, crew_lot) -> None:
    """No folder, a foreign folder, a lot, an archive: exit 2, with what was expected."""
    (tmp_path / "foreign").mkdir()
    (tmp_path / "archive").mkdir()
    (tmp_path / "archive" / "archive.json").write_text("{}")
    for path, words in (
        (tmp_path / "nowhere", "is no folder"),
        (tmp_path / "foreign", "expected one that `run`, `compare`, `overlay`, `cores`"),
        (crew_lot, "is a lot, not a result"),
        (tmp_path / "archive", "thermosaic archive verify"),
    ):
        with pytest.raises(ConfigError, match=words):
            verify_folder(path)
        assert thermosaic("verify", path).returncode == 2


def test_a_read_only_folder_is_verified(site) -> None:
    """Without permission to write, verifying works and leaves no file beside the package."""
    folder = site / "compared"
    for path in (folder, *folder.rglob("*")):
        path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))
    before = sorted(folder.rglob("*"))
    assert verify_folder(folder).differences == ()
    assert sorted(folder.rglob("*")) == before
    for path in (folder, *folder.rglob("*")):
        path.chmod(path.stat().st_mode | stat.S_IWUSR)


# --------------------------------------------------------------------------------------------------- rebuild


def test_a_lot_gives_the_same_bytes_again(crew_result, crew_lot, capfd, tmp_path, monkeypatch) -> None:
    """Run anew with its report and copies, every byte is the same, and nothing is left in the temporary folder."""
    monkeypatch.setattr(rebuilding.tempfile, "tempdir", str(tmp_path))
    found = rebuild_result(crew_result, crew_lot)
    assert (found.differences, found.notes) == ((), ())
    assert list(tmp_path.iterdir()) == []


def test_files_that_differ_are_named_and_told(crew_result, crew_lot, tmp_path, monkeypatch) -> None:
    """What comes of the lot differs in one reading, lacks a file and has one more: each is named, and what it is."""

    def spoiled(config: object, anew: Path, **_: object) -> None:
        shutil.copytree(crew_result, anew)
        (anew / "places.gpx").unlink()
        (anew / "more.txt").write_text("")
        _edit_manifest(anew, lambda listed: listed["versions"]["libraries"].update(numpy="0.1"))

    monkeypatch.setattr(rebuilding, "run_lot", spoiled)
    result = Path(shutil.copytree(crew_result, tmp_path / "result"))
    _edit_manifest(result, lambda listed: listed["versions"].update(python="2.7"))
    done = thermosaic("verify", result, "--rebuild", crew_lot)
    assert done.returncode == 5
    lines = done.stdout.splitlines()
    for line in (
        "manifest.json: differs from the lot run anew",
        "more.txt: is missing, it comes of the lot run anew",
        "places.gpx: does not come of the lot run anew",
    ):
        assert line in lines
    assert "numpy: was" in done.stdout
    assert any(line.startswith("note: made with python 2.7") and "bytes may differ" in line for line in lines)
    assert lines[-1].endswith("differs")


def test_a_lot_that_changed_since_stops_before_it_is_run(
    crew_result, crew_lot, tmp_path, monkeypatch
) -> None:
    """A log with another byte, a key with another value and a file that is gone are all named, exit 4; nothing runs."""
    monkeypatch.setattr(rebuilding, "run_lot", lambda *_, **__: pytest.fail("ran"))
    lot = Path(shutil.copytree(crew_lot, tmp_path / "lot"))
    with (lot / "scan.csv").open("a") as file:
        file.write("\n")
    text = (lot / "lot.toml").read_text()
    (lot / "lot.toml").write_text(text.replace('map_cell = "0.1 m"', 'map_cell = "0.2 m"'))
    with pytest.raises(MismatchError) as stopped:
        rebuild_result(crew_result, lot)
    assert "scan: scan.csv changed" in str(stopped.value)
    assert "grid.map_cell: was 0.32808 ft, is 0.65617 ft" in str(stopped.value)
    assert thermosaic("verify", crew_result, "--rebuild", lot).returncode == 4
    (lot / "lot.toml").write_text(text.replace('id = "SYN-US"', 'id = "OTHER"'))
    with pytest.raises(MismatchError, match="name its own lot"):
        rebuild_result(crew_result, lot)
