"""Raster files against other readers: rasterio, rio-cogeo, GDAL 3.6 and QGIS 3.22 where installed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import matplotlib
import matplotlib.image
import numpy as np
import pyproj
import pytest
import rasterio
from rio_cogeo.cogeo import cog_validate

import builders
from thermosaic import model, synthetic
from thermosaic.config import GridSection
from thermosaic.files import cog
from thermosaic.files.looks.ramp import INFERNO, ColourRamp, temperature_ramp
from thermosaic.stages.s5_rasterise import rasterise_mat
from thermosaic.synthetic import PassPlan

PASSES = (PassPlan("upstation", offset_m=-1.9), PassPlan("downstation", offset_m=1.9, wait_s=600.0))
US_FOOT_M = 1200 / 3937  # US survey foot, NIST SP 811


@pytest.fixture(scope="module")
def lot() -> synthetic.SyntheticLot:
    """Two short passes in a state-plane zone in US survey feet, with one cold patch."""
    patch = synthetic.Patch(20.0, 2.5, 0.5, 1.2, 24.0)
    return builders.us_curve_lot(
        road=(synthetic.straight(60.0),), passes=PASSES, mat=synthetic.Mat(patches=(patch,))
    )


@pytest.fixture(scope="module")
def rasters(lot) -> model.Rasters:
    return rasterise_mat(builders.true_swath(lot), builders.true_stations(lot), GridSection())


@pytest.fixture(scope="module")
def dress(lot) -> cog.RasterDress:
    return cog.RasterDress(lot.truth.crs, "us", {"lot_id": "SYN-US", "revision": "1"})


@pytest.fixture(scope="module")
def written(tmp_path_factory, rasters, dress) -> tuple[Path, list[Path]]:
    """A folder with every raster file, and the list of them."""
    folder = tmp_path_factory.mktemp("result")
    return folder, write(folder, rasters, dress)


def write(folder: Path, rasters: model.Rasters, dress: cog.RasterDress) -> list[Path]:
    folder.mkdir(exist_ok=True)
    tiles, differences = cog.make_tiles(folder, rasters, dress)
    assert differences == []
    return tiles + cog.write_mat(folder, rasters, dress, ("a", "b"), (100.0, 100.0))


def check(folder: Path, rasters: model.Rasters, dress: cog.RasterDress) -> list[str]:
    return cog.check_tiles(folder, rasters, dress) + cog.check_mat(folder, rasters, dress)


def tiles_of(files: list[Path]) -> list[Path]:
    return [path for path in files if path.parent.name == "tiles" and path.suffix == ".tif"]


# ------------------------------------------------------------------------------------------- what is stored


@pytest.mark.parametrize("profile", list(cog.PROFILES))
def test_files_are_valid_cogs_in_the_strict_sense(tmp_path, rasters, dress, profile):
    """rio-cogeo's validator finds neither error nor warning in any file, in either profile."""
    for path in write(tmp_path, rasters, replace(dress, profile=profile)):
        if path.suffix == ".tif":
            valid, errors, warnings = cog_validate(path, strict=True, quiet=True)
            assert (valid, errors, warnings) == (True, [], [])
    assert check(tmp_path, rasters, replace(dress, profile=profile)) == []


def test_band_values_are_those_of_the_rasters_in_the_units_of_the_delivery(written, rasters):
    """Temperatures are degF (9/5 C + 32), laid times s, sigmas US survey feet; empty cells are nodata."""
    for path, tile in zip(tiles_of(written[1]), rasters.tiles, strict=True):
        with rasterio.open(path) as file:
            temp, laid, sigma = file.read(masked=True).filled(np.nan)
            assert file.units == ("degF", "s", "ft")
            assert file.descriptions == ("temperature", "laid time", "position sigma")
        np.testing.assert_allclose(temp, tile.temp_c * 1.8 + 32, rtol=1e-6)
        np.testing.assert_array_equal(laid, tile.laid_s)
        np.testing.assert_allclose(sigma, tile.sigma_m / US_FOOT_M, rtol=1e-6)


def test_tiles_are_named_and_placed_by_the_lattice(written, rasters, dress):
    """A tile's name is floor(cell index / 512) from E = N = 0 in metres; its transform is in map feet."""
    assert len(rasters.tiles) >= 2
    for path in tiles_of(written[1]):
        east, north = map(int, re.fullmatch(r"temperature_(-?\d+)_(-?\d+)\.tif", path.name).groups())
        with rasterio.open(path) as file:
            left, _, right, top = file.bounds
            assert file.crs == rasterio.crs.CRS.from_epsg(6551)
            assert file.shape == (512, 512)
        assert (left * US_FOOT_M, top * US_FOOT_M) == pytest.approx(
            (east * 51.2, (north + 1) * 51.2), abs=1e-6
        )
        assert (right - left) * US_FOOT_M == pytest.approx(51.2, abs=1e-6)


def test_a_reading_lies_in_its_pixel(lot, dress, tmp_path):
    """Temperatures coded by easting come back from the file at their pixel's easting, within a cell."""
    swath = builders.true_swath(lot, noise_free=True)
    base = np.floor(swath.easting_m.min())
    swath = replace(swath, temp_c=(swath.easting_m - base).astype(np.float32))
    rasters = rasterise_mat(swath, builders.true_stations(lot), GridSection())
    files = write(tmp_path, rasters, replace(dress, units="si"))
    with rasterio.open(tiles_of(files)[0]) as file:
        value = file.read(1, masked=True)
        cols = np.indices(value.shape)[1]
        east_m = (file.transform.c + (cols + 0.5) * file.transform.a) * US_FOOT_M
    miss = np.abs(value.astype(float) + base - east_m)
    assert miss.max() < 0.15 / 2 + 1e-3  # the outer half pitch of 0.15 m holds its spot's value
    assert np.ma.median(miss) < 1e-3


def test_statistics_in_the_file_are_exact(written):
    """STATISTICS_* of every band equal numpy's over the cells read back; a viewer needs no estimate."""
    for path in [path for path in written[1] if path.suffix == ".tif"]:
        with rasterio.open(path) as file:
            for band in file.indexes:
                value, tags = file.read(band, masked=True).compressed().astype(float), file.tags(band)
                found = [
                    float(tags[f"STATISTICS_{name}"]) for name in ("MINIMUM", "MAXIMUM", "MEAN", "STDDEV")
                ]
                assert found == pytest.approx([value.min(), value.max(), value.mean(), value.std()], rel=1e-9)


def test_files_carry_the_lot_and_the_time_origin_and_no_clock(written, rasters):
    """Lot tags, software and the origin of laid times are in the file; nothing tells when it was written."""
    with rasterio.open(tiles_of(written[1])[0]) as file:
        tags, laid = file.tags(), file.tags(2)
    assert (tags["lot_id"], tags["revision"]) == ("SYN-US", "1")
    assert tags["TIFFTAG_SOFTWARE"].startswith("thermosaic ")
    assert "TIFFTAG_DATETIME" not in tags
    assert np.datetime64(laid["TIME_ORIGIN_UTC"].removesuffix("Z")) == rasters.origin_utc


def test_the_mat_frame_is_read_by_its_tags(lot, dress, tmp_path):
    """Station and offset of a cell follow from the tags: coded stations come back, pass by pass."""
    swath, stations = builders.true_swath(lot, noise_free=True), builders.true_stations(lot)
    swath = replace(swath, temp_c=stations.frame_m.astype(np.float32))
    rasters = rasterise_mat(swath, stations, GridSection())
    path = cog.write_mat(tmp_path, rasters, replace(dress, units="si"), ("a", "b"), stations.zero_m)[0]
    with rasterio.open(path) as file:
        value, tags = file.read(1, masked=True), file.tags()
        first_m = file.transform.c
    assert "columns run upstation" in tags["MAT_FRAME"]
    station_m = first_m + (np.arange(value.shape[1]) + 0.5) * float(tags["CELL_M"])
    for number, code in ((1, 0), (2, 1)):
        facts = dict(item.split("=") for item in tags[f"PASS_{number}"].split(" "))
        rows = slice(int(facts["row_from"]), int(facts["row_to"]))
        assert np.abs(value[rows].astype(float) - station_m).max() <= 0.3048 / 2
        offset_m = float(facts["offset_from_m"]) + 0.3048 * np.array([0, rows.stop - rows.start])
        smallest, largest = stations.edges_offset_m[code]
        assert offset_m[0] == pytest.approx(smallest, abs=0.3048)
        assert offset_m[1] == pytest.approx(largest, abs=0.3048)
        assert facts["pass_id"] == ("a", "b")[code]


@pytest.mark.parametrize(
    "crs", ["EPSG:2193", "EPSG:3006", "+proj=omerc +lat_0=40 +lonc=-83 +alpha=20 +datum=NAD83"]
)
def test_any_projected_crs_comes_back(rasters, tmp_path, crs):
    """CRS with northing first, and one without a code, come back from tile and mosaic, in the same place."""
    dress = cog.RasterDress(pyproj.CRS(crs), "si")
    files = write(tmp_path, rasters, dress)
    assert check(tmp_path, rasters, dress) == []
    boxes = []
    for path in (*tiles_of(files), tmp_path / "mosaic.vrt"):
        with rasterio.open(path) as file:
            assert pyproj.CRS(file.crs.to_wkt()).to_epsg() == dress.crs.to_epsg()
            boxes.append(tuple(file.bounds))
    edges = np.array(boxes[:-1])
    joined = (edges[:, 0].min(), edges[:, 1].min(), edges[:, 2].max(), edges[:, 3].max())
    assert boxes[-1] == pytest.approx(joined)


def test_the_mosaic_shows_every_tile_and_moves_with_its_folder(written, rasters, tmp_path):
    """One relative virtual raster holds the cells of all tiles, also after the folder has moved."""
    moved = shutil.copytree(written[0], tmp_path / "elsewhere")
    with rasterio.open(moved / "mosaic.vrt") as file:
        assert file.descriptions[0] == "temperature"
        assert file.units[0] == "degF"
        value = file.read(1, masked=True)
        statistics = file.tags(1)
    assert value.count() == sum(len(tile.cell) for tile in rasters.tiles)
    flat = value.compressed().astype(float)
    found = [float(statistics[f"STATISTICS_{name}"]) for name in ("MINIMUM", "MAXIMUM", "MEAN", "STDDEV")]
    assert found == pytest.approx([flat.min(), flat.max(), flat.mean(), flat.std()], rel=1e-9)


def test_bytes_do_not_depend_on_the_run_or_the_number_of_threads(
    written, rasters, dress, tmp_path, monkeypatch
):
    """Two runs give the same files, byte for byte, with one thread or several."""
    for number, threads in enumerate((1, 2, 3)):
        monkeypatch.setattr(cog, "THREADS", threads)
        again = write(tmp_path / str(number), rasters, dress)
        assert [path.name for path in again] == [path.name for path in written[1]]
        assert all(one.read_bytes() == two.read_bytes() for one, two in zip(written[1], again, strict=True))


def test_the_list_of_files_is_complete(written):
    """Every file in the folder is in the list that the publisher hashes, once."""
    folder, files = written
    assert sorted(files) == sorted(path for path in folder.rglob("*") if path.is_file())


def test_nothing_is_written_without_mat(dress, tmp_path, rasters):
    """A lot without a cell has no raster files, and its check finds nothing missing."""
    empty = np.empty((0, 0), np.float32)
    none = replace(
        rasters, tiles=(), mat=(model.Raster(model.Lattice("mat:0", 0.3), 0, 0, empty, empty, empty),)
    )
    assert write(tmp_path, none, dress) == []
    assert check(tmp_path, none, dress) == []


# ------------------------------------------------------------------------------------------------ checkers


def broken(path: Path, **profile) -> None:
    """Rewrite a tile as a plain file with something else in it."""
    with rasterio.open(path) as file:
        values, have, words, units = file.read(), file.profile, file.descriptions, file.units
        tags = [file.tags(band) for band in file.indexes]
    change = profile.pop("change", lambda values: values)
    driver = {"driver": "COG", "blocksize": 256, "compress": "deflate", "overview_resampling": "average"}
    for key in ("driver", "tiled", "blockxsize", "blockysize", "interleave"):
        have.pop(key, None)
    path.unlink()
    with rasterio.open(path, "w", **{**have, **driver, **profile}) as file:
        file.write(change(values))
        file.descriptions, file.units = words, units
        for band, band_tags in enumerate(tags, start=1):
            file.update_tags(band, **band_tags)


def one_warmer(values: np.ndarray) -> np.ndarray:
    changed = values.copy()
    changed[0][changed[0] != -9999] += 1
    return changed


def one_cell_lost(values: np.ndarray) -> np.ndarray:
    changed = values.copy()
    changed[:, np.nonzero(changed[0] != -9999)[0][0]] = -9999
    return changed


FAULTS = {
    "values": lambda path: broken(path, change=one_warmer),
    "empty cells": lambda path: broken(path, change=one_cell_lost),
    "nodata": lambda path: broken(path, nodata=-1.0),
    "CRS": lambda path: broken(path, crs=rasterio.crs.CRS.from_epsg(26912)),
    "transform": lambda path: broken(path, transform=rasterio.Affine(2, 0, 9, 0, -2, 9)),
    "layout": lambda path: broken(path, driver="GTiff", tiled=True, blockxsize=256, blockysize=256),
    "overviews": lambda path: broken(path, overviews="NONE"),
    "cannot be read": lambda path: path.write_bytes(path.read_bytes()[:3000]),
    "colours": lambda path: replace_text(path.with_suffix(".qml"), "#fcffa4", "#ff0000"),
    "limits": lambda path: replace_text(
        path.with_suffix(".qml"), 'classificationMin="', 'classificationMin="9'
    ),
    "no raster style": lambda path: path.with_suffix(".qml").write_text("<qgis>"),
    "lacks": lambda path: replace_text(path.parent.parent / "mosaic.vrt", path.name, "other.tif"),
    "wrong place": lambda path: replace_text(
        path.parent.parent / "mosaic.vrt", 'DstRect xOff="', 'DstRect xOff="1'
    ),
}


def replace_text(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize("fault", list(FAULTS))
def test_the_checker_names_the_fault(written, rasters, dress, tmp_path, fault):
    """Each way in which a file can be wrong is found on reading back, and named."""
    folder = shutil.copytree(written[0], tmp_path / "copy")
    FAULTS[fault](folder / "tiles" / cog.tile_name(rasters.tiles[0]))
    assert any(fault in difference for difference in check(folder, rasters, dress))


def test_lost_statistics_are_found(written, rasters, dress, tmp_path):
    """A tile whose statistics are not those of its cells does not pass."""
    folder = shutil.copytree(written[0], tmp_path / "copy")
    path = folder / "tiles" / cog.tile_name(rasters.tiles[0])
    with rasterio.open(path, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as file:
        file.update_tags(1, STATISTICS_MAXIMUM="999")
    assert any(
        "statistics" in difference or "layout" in difference for difference in check(folder, rasters, dress)
    )


# -------------------------------------------------------------------------------------------- other readers


@pytest.mark.skipif(shutil.which("gdalinfo") is None, reason="gdal-bin is not installed")
def test_an_older_gdal_reads_tiles_and_mosaic(written, rasters):
    """gdalinfo sees nodata, unit, description and statistics, and recomputes the same checksum from each."""
    folder, files = written
    for path in (tiles_of(files)[0], folder / "mosaic.vrt", folder / "mat.tif"):
        told = subprocess.run(
            ["gdalinfo", "-json", "-stats", str(path)], capture_output=True, text=True, check=True
        )
        assert "rror" not in told.stderr
        band = json.loads(told.stdout)["bands"][0]
        assert (band["noDataValue"], band["unit"], band["description"]) == (-9999.0, "degF", "temperature")
        assert band["minimum"] == pytest.approx(float(band["metadata"][""]["STATISTICS_MINIMUM"]), abs=1e-3)


RENDER = """
import os
import sys
from qgis.core import QgsApplication, QgsMapRendererSequentialJob, QgsMapSettings, QgsRasterLayer
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor
QgsApplication.setPrefixPath("/usr", True)
app = QgsApplication([], False)
app.initQgis()
layer = QgsRasterLayer(sys.argv[1], "mat")
assert layer.isValid()
settings = QgsMapSettings()
settings.setLayers([layer])
settings.setDestinationCrs(layer.crs())
settings.setExtent(layer.extent())
settings.setOutputSize(QSize(3 * layer.width(), 3 * layer.height()))
settings.setBackgroundColor(QColor("#00ff00"))
job = QgsMapRendererSequentialJob(settings)
job.start()
job.waitForFinished()
saved = job.renderedImage().save(sys.argv[2])
os._exit(0 if saved else 1)  # leaving by the usual way crashes some builds after the picture is written
"""


def _has_qgis() -> bool:
    python = Path("/usr/bin/python3")
    return (
        python.exists()
        and subprocess.run([python, "-c", "import qgis.core"], capture_output=True).returncode == 0
    )


@pytest.mark.skipif(not _has_qgis(), reason="python3-qgis is not installed")
@pytest.mark.parametrize("name", ["tile", "mosaic.vrt", "mat.tif"])
def test_qgis_draws_files_in_the_colours_of_the_ramp(written, rasters, tmp_path, name):
    """QGIS opens each by the style beside it: pixels have the ramp's colours, without a stretch."""
    path = tiles_of(written[1])[0] if name == "tile" else written[0] / name
    picture = tmp_path / "drawn.png"
    (tmp_path / "render.py").write_text(RENDER)
    environment = {"QT_QPA_PLATFORM": "offscreen", "PATH": "/usr/bin", "HOME": str(tmp_path)}
    command = ["/usr/bin/python3", str(tmp_path / "render.py"), str(path), str(picture)]
    subprocess.run(command, env=environment, check=True, capture_output=True)
    drawn = matplotlib.image.imread(picture)[1::3, 1::3, :3] * 255  # the middle pixel of each cell
    with rasterio.open(path) as file:
        value = file.read(1, masked=True)
    assert drawn.shape[:2] == value.shape
    expected = temperature_ramp(rasters, "us").rgb(value.filled(0).astype(float))
    there = ~np.ma.getmaskarray(value)
    assert np.abs(drawn[there] - expected[there]).max() <= 2
    assert np.all(drawn[~there] == [0, 255, 0])


# ----------------------------------------------------------------------------------------------------- ramp


def test_the_ramp_is_matplotlibs_inferno():
    """Colours between the ends are inferno's, within 5 of 255 (33 stops for its 256)."""
    ramp = ColourRamp(0.0, 1.0, "degC")
    at = np.linspace(0, 1, 257)
    expected = matplotlib.colormaps["inferno"](at)[:, :3] * 255
    assert np.abs(ramp.rgb(at).astype(float) - expected).max() <= 5


def test_readings_beyond_the_limits_are_drawn_apart():
    """Below and above the ramp stand colours that the ramp does not hold, named in the legend."""
    ramp = ColourRamp(100.0, 160.0, "degC")
    colours = {tuple(colour) for colour in ramp.rgb(np.linspace(100, 160, 1000)).tolist()}
    assert not {tuple(colour) for colour in ramp.rgb(np.array([99.9, 160.1])).tolist()} & colours
    assert len(set(INFERNO)) == 33


def test_the_style_holds_the_limits_and_no_stretch(written, rasters):
    """The style beside a raster fixes the limits of the lot and leaves QGIS nothing to estimate."""
    ramp = temperature_ramp(rasters, "us")
    for path in [path for path in written[1] if path.suffix == ".qml"]:
        root = ElementTree.parse(path).getroot()
        renderer = root.find("pipe/rasterrenderer")
        assert renderer.findtext("minMaxOrigin/limits") == "None"
        assert (float(renderer.get("classificationMin")), float(renderer.get("classificationMax"))) == (
            ramp.low,
            ramp.high,
        )
        labels = [item.get("label") for item in root.iter("item")]
        assert labels[0] == f"below {ramp.low:g} degF"
        assert labels[-1] == f"above {ramp.high:g} degF"


def test_the_ramp_spans_the_lot(rasters):
    """Limits are whole tens of degF around nearly all of the mat; one stray cell does not set them."""
    ramp = temperature_ramp(rasters, "us")
    value = np.concatenate([raster.temp_c[np.isfinite(raster.temp_c)] for raster in rasters.mat]) * 1.8 + 32
    assert ramp.low % 10 == 0
    assert ramp.high % 10 == 0
    assert np.mean((value >= ramp.low) & (value <= ramp.high)) >= 0.998


@pytest.mark.parametrize(("low", "high"), [(5.0, 5.0), (6.0, 5.0), (float("nan"), 5.0)])
def test_a_ramp_that_does_not_rise_is_refused(low, high):
    """A ramp runs upwards, or there is an error with both numbers."""
    with pytest.raises(ValueError, match="runs upwards"):
        ColourRamp(low, high, "degC")


def test_stated_ends_of_the_colours_are_taken():
    """150 to 350 degF stated are the ramp's ends whatever the mat's own temperatures; one end alone keeps the other."""
    rasters = model.Rasters(np.datetime64("2026-01-01", "ns"), (), (), 0.0)
    ends_c = ((150 - 32) / 1.8, (350 - 32) / 1.8)
    ramp = temperature_ramp(rasters, "us", ends_c)
    assert (ramp.low, ramp.high, ramp.unit) == (150.0, 350.0, "degF")
    assert temperature_ramp(rasters, "si", (None, 180.0)).high == 180.0
    assert temperature_ramp(rasters, "si", (60.0, None)).low == 60.0
