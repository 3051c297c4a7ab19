"""lot.qgz: a QGIS project beside the data, so that a lot opens drawn, in groups, by relative paths.

A ZIP that holds one .qgs (XML), written by hand in the part that QGIS 3.22 and later read; times and order
are fixed. Layers are opened for reading only. Not done here: what a layer looks like.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from html import escape
from pathlib import Path
from xml.etree import ElementTree
from xml.sax.saxutils import quoteattr

import pyproj
import shapely

from ..tables import LAYERS, Table
from .cog import MOSAIC
from .geopackage import ATTRIBUTE_TABLES, PACKAGE, Package
from .looks import qml, ramp
from .looks.styles import layer_content
from .zips import write_zip

NAME, INSIDE = "lot.qgz", "lot.qgs"
RASTER = "temperature"
GROUPS: tuple[tuple[str, tuple[tuple[str, str, bool], ...]], ...] = (  # layer, words, shown at once
    (
        "Places to look at",
        (("stops", "Stops", True), ("cold_zones", "Cold zones", True), ("gaps", "Gaps, not measured", True)),
    ),
    ("Stations and path", (("station_ticks", "Stations", True), ("paver_path", "Path of the paver", True))),
    (
        "Profiles and speed",
        (
            ("profiles", "Thermal profiles", True),
            ("speed_segments", "Speed segments", True),
            ("profiles_by_load", "Differential by truck load", False),
        ),
    ),
    (
        "On site",
        (("control", "Control points", True), ("diary", "Diary", False)),
    ),
    ("Left out of statistics", (("dropped", "Readings left out", False),)),
    ("Mat", (("lot", "Lot", True), ("mat", "Mat measured", True), (RASTER, "Temperature at laydown", True))),
    ("Facts", (("lot_info", "Facts of the lot", True), ("data_dictionary", "Columns and units", True))),
)
MARGIN_FRAC = 0.06  # of the longer side, around the mat
WKB = {"MultiPolygon": "Polygon", "MultiLineString": "Line", "Point": "Point"}  # QGIS's words for geometry


@dataclass(frozen=True, eq=False)
class Project:
    """What the project shows: the layers of a package, and the ramp of the mosaic where there is one."""

    title: str
    words: str
    crs: pyproj.CRS
    package: Package
    ramp: ramp.ColourRamp | None


def write_project(path: Path, project: Project) -> None:
    """Write lot.qgz; the data it names lie in its folder."""
    write_zip(path, {INSIDE: _document(project)}, project.package.stamp)


def _groups(has_raster: bool) -> list[tuple[str, list[tuple[str, str, bool]]]]:
    return [
        (group, [entry for entry in entries if has_raster or entry[0] != RASTER]) for group, entries in GROUPS
    ]


def _identifier(name: str) -> str:
    """Identity of a layer inside the project; QGIS replaces one of ten letters or less."""
    return f"layer_of_lot_{name}"


def _source(name: str) -> str:
    return f"./{MOSAIC}" if name == RASTER else f"./{PACKAGE}|layername={name}"


def _document(project: Project) -> str:
    """Print the project: tree, map, layers, all by relative paths."""
    groups = _groups(project.ramp is not None)
    crs = _crs(project.crs)
    extent = _extent(_around_mat(project.package))
    layers = "".join(_layer(project, name, words) for _, entries in groups for name, words, _ in entries)
    return (
        f"{qml.HEADER}<qgis version={quoteattr(qml.VERSION)} projectname={quoteattr(project.title)}>\n"
        f'<homePath path=""/><title>{escape(project.title)}</title><projectCrs>{crs}</projectCrs>\n'
        f"{_tree(groups)}\n"
        f'<mapcanvas name="theMapCanvas" annotationsVisible="1">{extent}<rotation>0</rotation>'
        f"<destinationsrs>{crs}</destinationsrs></mapcanvas>\n"
        f"<projectlayers>\n{layers}</projectlayers>\n"
        '<properties><Paths><Absolute type="bool">false</Absolute></Paths><SpatialRefSys>'
        '<ProjectionsEnabled type="int">1</ProjectionsEnabled></SpatialRefSys></properties>\n'
        f"<projectMetadata><title>{escape(project.title)}</title><abstract>{escape(project.words)}</abstract>"
        "</projectMetadata>\n"
        f'<ProjectViewSettings UseProjectScales="0"><DefaultViewExtent {_extent_attributes(project.package)}>'
        f"{crs}</DefaultViewExtent></ProjectViewSettings>\n</qgis>\n"
    )


def _crs(crs: pyproj.CRS) -> str:
    """A CRS by its WKT, and by its code where it has one."""
    authority = crs.to_authority(min_confidence=100)
    code = ":".join(authority) if authority else ""
    return (
        f"<spatialrefsys><wkt>{escape(crs.to_wkt('WKT2_2019'))}</wkt><srid>{escape(code.split(':')[-1])}</srid>"
        f"<authid>{escape(code)}</authid><description>{escape(crs.name)}</description>"
        f"<geographicflag>false</geographicflag></spatialrefsys>"
    )


def _around_mat(package: Package) -> tuple[float, float, float, float]:
    """West, south, east, north of what was measured, with a margin, in CRS units."""
    west, south, east, north = shapely.total_bounds(package.frames["mat"].geometry.to_numpy())
    margin = MARGIN_FRAC * max(east - west, north - south)
    return tuple(round(float(v), 3) for v in (west - margin, south - margin, east + margin, north + margin))


def _extent(box: tuple[float, float, float, float]) -> str:
    west, south, east, north = box
    return f"<extent><xmin>{west}</xmin><ymin>{south}</ymin><xmax>{east}</xmax><ymax>{north}</ymax></extent>"


def _extent_attributes(package: Package) -> str:
    west, south, east, north = _around_mat(package)
    return f'xmin="{west}" ymin="{south}" xmax="{east}" ymax="{north}"'


def _tree(groups: list[tuple[str, list[tuple[str, str, bool]]]]) -> str:
    """Groups and layers as they are listed and drawn, the uppermost first."""
    listed = "".join(
        f'<layer-tree-group name={quoteattr(group)} checked="Qt::Checked" '
        f'expanded="{int(group not in ("Left out of statistics", "Facts"))}">'
        + "".join(_tree_layer(*entry) for entry in entries)
        + "</layer-tree-group>"
        for group, entries in groups
    )
    return f'<layer-tree-group>{listed}<custom-order enabled="0"/></layer-tree-group>'


def _tree_layer(name: str, words: str, is_shown: bool) -> str:
    return (
        f'<layer-tree-layer id="{_identifier(name)}" name={quoteattr(words)} source={quoteattr(_source(name))} '
        f'providerKey="{"gdal" if name == RASTER else "ogr"}" '
        f'checked="{"Qt::Checked" if is_shown else "Qt::Unchecked"}" expanded="{int(name == RASTER)}"/>'
    )


def _layer(project: Project, name: str, words: str) -> str:
    tables = {table.name: table for table in project.package.tables}
    if name == RASTER and project.ramp is not None:
        return _layer_element(project, name, words, 'type="raster"', "gdal", ramp.style_content(project.ramp))
    if name in ATTRIBUTE_TABLES:
        kind = 'type="vector" geometry="No geometry" wkbType="NoGeometry" readOnly="1"'
        return _layer_element(project, name, words, kind, "ogr", "", ATTRIBUTE_TABLES[name][0])
    table, look = tables[name], project.package.looks[name]
    kind = (
        f'type="vector" geometry="{WKB[str(table.geometry)]}" wkbType="{table.geometry}" readOnly="1" '
        f"{qml.attributes(look)}"
    )
    content = _with_shown_column(table) + layer_content(table, look)
    return _layer_element(project, name, words, kind, "ogr", content, table.meaning)


def _with_shown_column(table: Table) -> str:
    """What names a feature in lists: its own number, else its identity."""
    number = next((c.name for c in table.columns if c.name in ("profile_id", "zone_id", "stop_id")), None)
    return f'<previewExpression>"{number or "feature_uid"}"</previewExpression>'


def _layer_element(
    project: Project, name: str, words: str, kind: str, provider: str, content: str, meaning: str = ""
) -> str:
    srs = "" if name in ATTRIBUTE_TABLES else f"<srs>{_crs(project.crs)}</srs>"
    return (
        f"<maplayer {kind}><id>{_identifier(name)}</id><datasource>{escape(_source(name))}</datasource>"
        f"<layername>{escape(words)}</layername>{srs}<resourceMetadata><title>{escape(words)}</title>"
        f"<abstract>{escape(meaning)}</abstract></resourceMetadata>"
        f'<provider encoding="UTF-8">{provider}</provider>{content}</maplayer>\n'
    )


# ------------------------------------------------------------------------------------------- the checker


def check_project(path: Path, has_raster: bool) -> list[str]:
    """Read a project back; return what is wrong, nothing if all is well.

    Every layer of the package is listed once and drawn above the raster, and every source is a file of the
    project's own folder, named relative to it.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            root = ElementTree.fromstring(archive.read(INSIDE))
    except (OSError, zipfile.BadZipFile, KeyError, ElementTree.ParseError) as error:
        return [f"{path.name}: is no project: {error}"]
    listed = [str(layer.get("id")) for layer in root.iter("layer-tree-layer")]
    sources = {layer.findtext("id"): str(layer.findtext("datasource")) for layer in root.iter("maplayer")}
    wanted = {_identifier(name) for name in (*(table.name for table in LAYERS), *ATTRIBUTE_TABLES)}
    wanted |= {_identifier(RASTER)} if has_raster else set()
    found = []
    if sorted(listed) != sorted(wanted) or sorted(sources) != sorted(wanted):
        found.append(f"{path.name}: layers are {sorted(listed)}, expected {sorted(wanted)}")
    drawn = [name for name in listed if name not in {_identifier(table) for table in ATTRIBUTE_TABLES}]
    if has_raster and drawn[-1:] != [_identifier(RASTER)]:
        found.append(f"{path.name}: the raster is not drawn below all layers")
    for source in sources.values():
        name = source.split("|")[0]
        if not name.startswith("./") or not (path.parent / name).is_file():
            found.append(f"{path.name}: {name} is no file beside it")
    return found
