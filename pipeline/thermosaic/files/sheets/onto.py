"""Bring a result onto the map of another: by an operation of known accuracy, or not at all.

Two maps in a frame that the ground moves in lie apart by what it moved between their epochs.
"""

from __future__ import annotations

import numpy as np
import shapely

from ...datum import Operation, decimal_year, own_lon_lat, pin_operation
from ...errors import ConfigError, MismatchError
from .lot_sheet import LotSheet

FASTEST_PLATE_M_A = (
    0.1  # metres a year that ground moves in a frame that does not go with it, at most (DeMets 2010)
)


def onto_map(first: LotSheet, sheet: LotSheet) -> tuple[Operation | None, float]:
    """Give the operation that brings a result onto the first one's map (None: the same map), and its sigma in metres.

    Raises
    ------
    MismatchError
        No operation is known well enough, or the ground may have moved too far between the epochs.
    """
    drift_m = _drift_m(first, sheet)
    if first.crs.equals(sheet.crs, ignore_axis_order=True):
        return None, drift_m
    frames = [item.config["crs"] for item in (first, sheet)]
    west, south, east, north = (value / sheet.factor for value in sheet.frames["mat"].total_bounds)
    try:
        operation = pin_operation(
            sheet.crs, first.crs, min(frame["accuracy_m"] for frame in frames),
            _epoch(sheet if _is_moving(sheet) else first), all(frame["accept_ensemble"] for frame in frames),
            own_lon_lat(sheet.crs, (west + east) / 2, (south + north) / 2),
        )  # fmt: skip
    except (ConfigError, MismatchError) as error:
        ids = sheet.config["lot"]["id"], first.config["lot"]["id"]
        raise MismatchError(
            f"{ids[0]} ({sheet.crs.name}) cannot be laid over {ids[1]} ({first.crs.name}): {error}"
        ) from None
    return operation, float(np.hypot(operation.accuracy_m, drift_m))


def _drift_m(first: LotSheet, sheet: LotSheet) -> float:
    """How far the ground may have moved between the epochs of two maps in frames that do not go with it."""
    if not (_is_moving(first) and _is_moving(sheet)):
        return 0.0
    years = abs(_epoch(first) - _epoch(sheet))
    drift_m = years * FASTEST_PLATE_M_A
    if drift_m > min(item.config["crs"]["accuracy_m"] for item in (first, sheet)):
        raise MismatchError(
            f"{sheet.config['lot']['id']} and {first.config['lot']['id']} are mapped in {first.crs.name} at epochs "
            f"{_epoch(sheet):.2f} and {_epoch(first):.2f}: in {years:.1f} years the ground may have moved "
            f"{drift_m:.2f} m in that frame; map both on a frame that moves with the plate, like EPSG:6318"
        )
    return drift_m


def _is_moving(sheet: LotSheet) -> bool:
    """Whether the ground moves in the frame of a result's map."""
    datum = sheet.crs.geodetic_crs.datum
    return datum is not None and datum.type_name == "Dynamic Geodetic Reference Frame"


def _epoch(sheet: LotSheet) -> float:
    """Epoch of a result's positions: as stated, else the day it was laid."""
    return float(sheet.config["crs"]["epoch"] or decimal_year(np.datetime64(sheet.quality["paved_on"], "ns")))


def shapes_on_map(sheet: LotSheet, layer: str, operation: Operation | None) -> np.ndarray:
    """Give the geometries of a layer in metres of the first one's map."""
    shapes = np.asarray(sheet.frames[layer].geometry, dtype=object)
    if operation is None:
        return shapes

    def move(at: np.ndarray) -> np.ndarray:
        return np.column_stack(operation.forward(*(at.T / sheet.factor)))

    return shapely.transform(shapes, move)
