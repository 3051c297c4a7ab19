"""What lot.gpkg holds: dressed layers, their styles and domains, and the facts of the lot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..tables import LAYERS
from . import dressing, facts, manifest, styles
from .geopackage import Package

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
