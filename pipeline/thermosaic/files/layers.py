"""What lot.gpkg holds: dressed layers, their looks and domains, the facts of the lot; and what lot.qgz shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..tables import LAYERS
from . import dressing, facts, manifest
from .geopackage import Package
from .looks import styles
from .looks.ramp import ColourRamp, temperature_ramp
from .project import Project

if TYPE_CHECKING:
    from ..model import LotRecord


def lot_package(record: LotRecord) -> Package:
    """Return the content of lot.gpkg, in the delivery's units."""
    config = record.config
    tables = tuple(dressing.delivered_table(table, config.delivery.units) for table in LAYERS)
    bands = dressing.band_names(record)
    looks = styles.layer_looks(tables, config, bands)
    words = (*(rule.word for rule in config.rules.classes.words), "insufficient")
    return Package(
        tables=tables,
        frames=dressing.dress_layers(record),
        looks=looks,
        styles=styles.layer_styles(tables, looks),
        lot_info=facts.lot_info(record),
        domains={("profiles", "profile_class"): words, ("speed_segments", "speed_band"): tuple(bands)},
        stamp=manifest.lot_time(record),
    )


def lot_ramp(record: LotRecord) -> ColourRamp | None:
    """Return the ramp of the mosaic, or None where there is no tile."""
    delivery = record.config.delivery
    return (
        temperature_ramp(record.rasters, delivery.units, delivery.display_c) if record.rasters.tiles else None
    )


def lot_project(record: LotRecord, package: Package, ramp: ColourRamp | None) -> Project:
    """Return the content of lot.qgz."""
    title = f"{record.config.lot.id}: {dressing.lot_words(record)}"
    return Project(title, " ".join(facts.CAUTIONS), record.swath.crs, package, ramp)
