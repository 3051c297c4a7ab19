"""The layers of a lot pulled apart: one stretch of the map, drawn once for each layer, one below the other.

The stretch is turned so that its chord lies flat; all copies have one scale, and lengths along and across are
drawn alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import rasterio
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.transforms import Affine2D
from rasterio.enums import Resampling

from ..cog import NODATA, TILE_FOLDER
from ..looks.styles import GREYS
from .look import INK, PAPER, SOFT, STOP, ZONE, bare, class_face, north_arrow, picture
from .lot_sheet import LotSheet
from .measures import duration
from .places import first_places
from .spine import Spine

LAYERS_IN = (10.0, 4.9)
LENGTH_M = 130.0
LEFT_IN, WIDE_IN = 1.75, 8.0
BEND_IN = 0.56  # that the line of a strip may bend aside
STOOD_IN = 0.5  # half of what the words of a stop take
WORDS_IN = 0.4  # likewise of a part


@dataclass(frozen=True, eq=False, slots=True)
class Stretch:
    """Part of a spine and the way from map metres to inches on the picture."""

    spine: Spine
    pass_id: str
    station_from_m: float
    station_to_m: float
    to_inches: Affine2D

    def at(self, place_m: np.ndarray) -> np.ndarray:
        return self.to_inches.transform(place_m)


def draw_layers(figure: Figure, sheet: LotSheet) -> None:
    """Draw mat temperature, zones and stops, profiles, and speed of one stretch."""
    axes = bare(figure.add_axes((0, 0, 1, 1)))
    stretch = _stretch(sheet)
    high = LAYERS_IN[1] / 4
    layers = (_temperature, _places, _profiles, _speed)
    names = ("mat temperature", "cold zones, stops", "thermal profiles", "paver speed")
    for i, (layer, name) in enumerate(zip(layers, names, strict=True)):
        moved = Affine2D().translate(0, LAYERS_IN[1] - (i + 0.48) * high)
        here = Stretch(stretch.spine, stretch.pass_id, stretch.station_from_m, stretch.station_to_m,
                       stretch.to_inches + moved)  # fmt: skip
        axes.text(0.3, LAYERS_IN[1] - (i + 0.45) * high, name, fontsize=9.5, va="center")
        layer(axes, sheet, here)
    axes.text(0.3, LAYERS_IN[1] - 0.07, _which(sheet, stretch), fontsize=7.5, va="center", color=SOFT)
    axes.set_xlim(0, LAYERS_IN[0])
    axes.set_ylim(0, LAYERS_IN[1])
    matrix = stretch.to_inches.get_matrix()
    turned = float(np.degrees(np.arctan2(matrix[0, 1], matrix[1, 1])))
    north_arrow(axes, LAYERS_IN[0] - 0.42, LAYERS_IN[1] - 0.36, 0.34, turned)


def _which(sheet: LotSheet, stretch: Stretch) -> str:
    """Name the stretch that is drawn: its stations, and its pass where there are several."""
    to = sheet.measures
    stations = f"{to.station(stretch.station_from_m)} to {to.station(stretch.station_to_m)}"
    several = f"pass {stretch.pass_id}, " if len(sheet.pass_ids) > 1 else ""
    return f"{several}station {stations}"


def _stretch(sheet: LotSheet) -> Stretch:
    """Take the stretch with the first place in its middle, as far as the mat goes."""
    places = [place for place in first_places(sheet) if np.isfinite(place.station_from_m)]
    pass_id = places[0].pass_id if places else next(iter(sheet.spines))
    spine = sheet.spines[pass_id]
    middle = places[0].station_from_m if places else float(np.median(spine.station_m))
    low = max(min(middle - LENGTH_M / 2, spine.station_m[-1] - LENGTH_M), spine.station_m[0])
    high = min(low + LENGTH_M, spine.station_m[-1])
    ends = np.searchsorted(spine.station_m, (low, high)).clip(0, len(spine.station_m) - 1)
    middle_m = np.column_stack([spine.easting_m, spine.northing_m])[ends[0] : ends[1] + 1]
    return Stretch(spine, pass_id, low, high, _to_inches(middle_m))


def _to_inches(middle_m: np.ndarray) -> Affine2D:
    """Lay the chord of a line level, its bends about y = 0: as long as the picture, or as its strip is high."""
    start, end = middle_m[0], middle_m[-1]
    chord = end - start
    turn = Affine2D().translate(*-start).rotate(-np.arctan2(chord[1], chord[0]))
    aside = turn.transform(middle_m)[:, 1]
    scale = min(WIDE_IN / float(np.hypot(*chord)), BEND_IN / max(float(np.ptp(aside)), 1e-9))
    return turn.translate(0, -(aside.min() + aside.max()) / 2).scale(scale).translate(LEFT_IN, 0)


def _part(stretch: Stretch, low: float, high: float) -> np.ndarray:
    """Corners of the mat between two stations, inches."""
    spine = stretch.spine
    station = np.unique(np.r_[low, spine.station_m[(spine.station_m > low) & (spine.station_m < high)], high])
    middle = np.column_stack(
        [np.interp(station, spine.station_m, v) for v in (spine.easting_m, spine.northing_m)]
    )
    half = np.interp(station, spine.station_m, spine.half_m)[:, None]
    along = np.gradient(middle, axis=0)
    across = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
    return stretch.at(np.vstack([middle - across * half, (middle + across * half)[::-1]]))


def _below(corners: np.ndarray) -> tuple[float, float]:
    """A place in the middle of a part, below its lower edge as far as words reach to either side."""
    lower = corners[len(corners) // 2 :]
    middle = float(lower[:, 0].mean())
    under = lower[np.abs(lower[:, 0] - middle) < WORDS_IN, 1]
    return middle, float(under.min() if len(under) else lower[:, 1].mean()) - 0.08


def _patch(axes: Axes, corners: np.ndarray, **look: object) -> None:
    axes.add_patch(Polygon(corners, closed=True, **look))


def _outline(axes: Axes, stretch: Stretch) -> Polygon:
    """The mat of the stretch; what lies on it can be cut by it."""
    corners = _part(stretch, stretch.station_from_m, stretch.station_to_m)
    return axes.add_patch(Polygon(corners, closed=True, facecolor=PAPER, edgecolor=GREYS[2], linewidth=0.6))


def _held(stretch: Stretch, frame: object) -> object:
    inside = (frame["station_to_m"] > stretch.station_from_m) & (
        frame["station_from_m"] < stretch.station_to_m
    )
    return frame[inside & (frame["pass_id"] == stretch.pass_id)]


def _temperature(axes: Axes, sheet: LotSheet, stretch: Stretch) -> None:
    """The tiles themselves, turned, cut to the stretch."""
    cut = Polygon(
        _part(stretch, stretch.station_from_m, stretch.station_to_m), closed=True, transform=axes.transData
    )
    unit = sheet.measures.unit("temp")
    for tile in sorted((sheet.folder / TILE_FOLDER).glob("temperature_*.tif")):
        with rasterio.open(tile) as file:
            west, south, east, north = np.array(file.bounds) * sheet.factor
            values = file.read(1, resampling=Resampling.nearest).astype(float)
        temp_c = (np.where(values == NODATA, np.nan, values) - unit.shift) / unit.factor
        drawn = axes.imshow(
            picture(temp_c, sheet.ramp, sheet.measures), extent=(west, east, south, north), aspect="auto",
            interpolation="nearest", transform=stretch.to_inches + axes.transData,
        )  # fmt: skip
        drawn.set_clip_path(cut)


def _in_middle(stretch: Stretch, feature: object) -> bool:
    """Whether a feature's middle lies in the stretch, so that its label stands below what is drawn of it."""
    middle = (feature["station_from_m"] + feature["station_to_m"]) / 2
    return bool(stretch.station_from_m <= middle <= stretch.station_to_m)


def _places(axes: Axes, sheet: LotSheet, stretch: Stretch) -> None:
    cut = _outline(axes, stretch)
    for _, zone in _held(stretch, sheet.frames["cold_zones"]).iterrows():
        for part in shapely.get_parts(zone.geometry):
            corners = stretch.at(np.asarray(part.exterior.coords)[:, :2])
            _patch(axes, corners, facecolor=ZONE, edgecolor=ZONE, linewidth=0.8, alpha=0.85, clip_path=cut)
        if not _in_middle(stretch, zone):
            continue
        corners = _part(stretch, zone["station_from_m"], zone["station_to_m"])
        text = f"\N{MINUS SIGN}{sheet.measures.text(zone['deficit_max_delta_c'], 'deficit')}"
        axes.text(*_below(corners), text, ha="center", va="top", fontsize=7.5, color=INK)
    for _, stop in _held(stretch, sheet.frames["stops"]).iterrows():
        corners = _part(stretch, stop["station_m"] - 0.3, stop["station_m"] + 0.3)
        _patch(axes, corners, facecolor=STOP, edgecolor=STOP, linewidth=0.8)
        x = np.clip(corners[:, 0].mean(), LEFT_IN + STOOD_IN, LEFT_IN + WIDE_IN - STOOD_IN)
        axes.text(x, corners[:, 1].max() + 0.06, f"stood {duration(stop['duration_s'])}",
                  ha="center", va="bottom", fontsize=7.5, color=STOP)  # fmt: skip


def _profiles(axes: Axes, sheet: LotSheet, stretch: Stretch) -> None:
    for _, profile in _held(stretch, sheet.frames["profiles"]).iterrows():
        low = max(profile["station_from_m"], stretch.station_from_m)
        high = min(profile["station_to_m"], stretch.station_to_m)
        corners = _part(stretch, low, high)
        if high - low < 8:
            continue
        colour, hatch = class_face(profile["class_rank"], len(sheet.class_words))
        _patch(axes, corners, facecolor=colour, hatch=hatch, edgecolor=INK, linewidth=0.7)
        number = sheet.measures.text(profile["differential_delta_c"], "delta")
        axes.text(*_below(corners), f"{profile['profile_class']}, {number}", ha="center",
                  va="top", fontsize=7.5)  # fmt: skip


def _speed(axes: Axes, sheet: LotSheet, stretch: Stretch) -> None:
    _outline(axes, stretch)
    for _, segment in _held(stretch, sheet.frames["speed_segments"]).iterrows():
        low = max(segment["station_from_m"], stretch.station_from_m)
        high = min(segment["station_to_m"], stretch.station_to_m)
        corners = _part(stretch, low, high)
        _patch(axes, corners, facecolor=GREYS[1], edgecolor=SOFT, linewidth=0.7)
        if high - low > 12:
            text = sheet.measures.text(segment["speed_mean_mps"], "speed")
            axes.text(*_below(corners), text, ha="center", va="top", fontsize=7.5)
