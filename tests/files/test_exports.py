"""also/: copies hold what the GeoPackage holds; KML by GDAL's reader and by the published layout."""

from __future__ import annotations

import shutil
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from thermosaic.files import exports, kml
from thermosaic.tables import LAYERS

KML = "{http://www.opengis.net/kml/2.2}"


def test_flatgeobuf_holds_every_layer_row_by_row(crew_result: Path) -> None:
    """GDAL reads each copy back: columns, rows, geometries and CRS of the layer."""
    for table in LAYERS:
        meant = pyogrio.read_dataframe(crew_result / "lot.gpkg", layer=table.name).sort_values("feature_uid")
        have = pyogrio.read_dataframe(crew_result / "also" / f"{table.name}.fgb").sort_values("feature_uid")
        assert list(have.columns) == list(meant.columns)
        assert have["feature_uid"].tolist() == meant["feature_uid"].tolist()
        assert have.crs == meant.crs
        pairs = zip(have.geometry, meant.geometry, strict=True)
        assert all((a is None and b is None) or a.equals(b) for a, b in pairs)


@pytest.mark.parametrize(
    ("layer", "folder"), [("cold_zones", "Cold zones"), ("profiles", "Thermal profiles")]
)
def test_gdals_reader_finds_kml_where_geopandas_puts_the_layer(
    crew_result: Path, layer: str, folder: str
) -> None:
    """Longitude first, 1e-8 degrees (a millimetre) from the layer that geopandas turns to degrees."""
    meant = gpd.read_file(crew_result / "lot.gpkg", layer=layer).to_crs("EPSG:6318")
    have = pyogrio.read_dataframe(crew_result / "also" / "lot.kml", layer=folder)
    assert len(have) == len(meant) > 0
    for a, b in zip(have.geometry, meant.geometry, strict=True):
        np.testing.assert_allclose(shapely.get_coordinates(a), shapely.get_coordinates(b), rtol=0, atol=1e-8)


def test_kml_says_its_frame_and_the_caution(crew_result: Path) -> None:
    """The first thing read names NAD83(2011) and says that a phone is good to 10 to 15 ft only."""
    root = ElementTree.parse(crew_result / "also" / "lot.kml").getroot()
    words = root.findtext(f"{KML}Document/{KML}description")
    assert "NAD83(2011)" in words
    assert "not for setting out or machine control" in words


def test_kml_refers_only_to_styles_it_has(crew_result: Path) -> None:
    """Every styleUrl names a Style of the document (OGC 07-147r2, 9.1)."""
    root = ElementTree.parse(crew_result / "also" / "lot.kml").getroot()
    have = {f"#{style.get('id')}" for style in root.iter(f"{KML}Style")}
    assert {element.text for element in root.iter(f"{KML}styleUrl")} <= have


def test_two_writings_give_the_same_bytes(crew_result: Path, tmp_path: Path) -> None:
    """Nothing of clock or machine enters a copy."""
    for path in exports.write_also(crew_result / "lot.gpkg", tmp_path, exports.KINDS):
        assert path.read_bytes() == (crew_result / "also" / path.name).read_bytes(), path.name


def test_spoilt_copies_are_named(crew_result: Path, tmp_path: Path) -> None:
    """A copy of another layer, one cut short, and a place moved by a metre are found."""
    package = Path(shutil.copy(crew_result / "lot.gpkg", tmp_path))
    shutil.copytree(crew_result / "also", tmp_path / "also")
    assert exports.check_also(package, tmp_path, exports.KINDS) == []
    shutil.copy(tmp_path / "also" / "mat.fgb", tmp_path / "also" / "stops.fgb")
    (tmp_path / "also" / "gaps.fgb").write_bytes(b"fgb")
    path = tmp_path / "also" / "lot.kml"
    first = ElementTree.parse(path).getroot().find(f".//{KML}Polygon//{KML}coordinates").text.split()[0]
    lon, lat = first.split(",")
    path.write_text(path.read_text().replace(first, f"{float(lon) + 1e-5:.9f},{lat}", 1))
    found = exports.check_also(package, tmp_path, exports.KINDS)
    assert [text.split(":")[0] for text in found] == ["stops.fgb", "gaps.fgb", "lot.kml"]


def test_an_unknown_kind_is_refused(crew_result: Path, tmp_path: Path) -> None:
    """The kinds that there are, are named."""
    with pytest.raises(ValueError, match="fgb, kml"):
        exports.write_also(crew_result / "lot.gpkg", tmp_path, ("shp",))


def test_colours_of_kml_are_written_backwards() -> None:
    """KML writes alpha, blue, green, red (OGC 07-147r2, color): opaque pure red is ff0000ff."""
    assert kml._colour("#ff0000", 1) == "ff0000ff"
