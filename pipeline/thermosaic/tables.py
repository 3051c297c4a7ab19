"""Every column of every product: name, type, unit, meaning. Data, with a page of machinery before it.

Checks, GeoPackage fields and aliases, the data dictionary and the README's column tables come from here.
The suffix is the unit (`_m _m2 _c _delta_c _deg _s _mps _utc _frac`); no suffix = a count, an id, a text.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

UNIT_OF_SUFFIX = {
    "delta_c": "degC of difference", "kg_m2": "kg/m2", "kg_m3": "kg/m3", "lb_ft3": "lb/ft3",
    "m2": "m2", "mps": "m/s", "c": "degC", "m": "m", "deg": "deg",
    "s": "s",
    "utc": "UTC", "frac": "share 0..1", "t": "t",
    "delta_f": "degF of difference", "ft2": "ft2", "ftpmin": "ft/min", "f": "degF", "ft": "ft",
}  # fmt: skip
US_SUFFIX = {"m": "ft", "m2": "ft2", "mps": "ftpmin", "c": "f", "delta_c": "delta_f", "kg_m3": "lb_ft3"}


def suffix(name: str) -> str:
    """Return the unit suffix of a column name, or an empty text.

    >>> suffix("deficit_max_delta_c"), suffix("area_m2"), suffix("stop_count")
    ('delta_c', 'm2', '')
    """
    for ending in UNIT_OF_SUFFIX:
        if name.endswith("_" + ending):
            return ending
    return ""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: name, dtype (`text int32 int64 float32 float64 bool datetime`), meaning, allowed words."""

    name: str
    dtype: str
    meaning: str
    values: tuple[str, ...] = ()
    added: bool = False  # by the publisher, not by the stage that finds

    @property
    def unit(self) -> str:
        return UNIT_OF_SUFFIX.get(suffix(self.name), "")


@dataclass(frozen=True, slots=True)
class Table:
    """One layer or table: its geometry type and columns in order."""

    name: str
    geometry: str | None
    meaning: str
    columns: tuple[Column, ...]

    def found(self) -> tuple[Column, ...]:
        """Columns that the finding stage gives."""
        return tuple(column for column in self.columns if not column.added)

    def check(self, frame: pd.DataFrame, *, dressed: bool = True) -> None:
        """Raise ValueError unless `frame` has exactly these columns (and a geometry where declared)."""
        wanted = [c.name for c in (self.columns if dressed else self.found())]
        have = [name for name in frame.columns if name != "geometry"]
        if have != wanted:
            missing, extra = [n for n in wanted if n not in have], [n for n in have if n not in wanted]
            raise ValueError(f"layer {self.name}: missing {missing}, not declared {extra}, or order differs")
        if (self.geometry is not None) != ("geometry" in frame.columns):
            raise ValueError(f"layer {self.name}: geometry expected: {self.geometry}")
        for column in self.columns:
            if (
                column.values
                and column.name in frame
                and not set(frame[column.name].dropna()) <= set(column.values)
            ):
                raise ValueError(f"layer {self.name}: {column.name} holds words outside {column.values}")


TRAVEL = ("upstation", "downstation")
SIDES = ("left", "right")
STANDINGS = ("newest", "superseded")
PATTERNS = ("at_stop", "cyclic", "streak", "along_free_edge", "along_joint", "pass_start", "single")
GAP_KINDS = ("no_fix", "no_scan", "not_paving")
DIARY_KINDS = ("truck", "stop", "rain", "relaid", "handwork", "breakdown", "note")
CONTROL_PLACES = ("mat edge", "alignment")
DROP_REASONS = (
    "no_reading", "bad_spot", "second_look", "aged_look", "replaced", "excluded", "foreign", "start_up", "stop",
    "edge_trim", "too_cold", "too_hot",
)  # fmt: skip

_IDENTITY = (
    Column("feature_uid", "text", "lot:layer:number, unique together with revision", added=True),
    Column("lot_id", "text", "Lot", added=True),
    Column("revision", "int32", "Revision of the lot", added=True),
    Column("pass_id", "text", "Paver pass"),
    Column("route", "text", "Route", added=True),
    Column("lane", "text", "Lane", added=True),
    Column("lift", "int32", "Lift, counted from the bottom", added=True),
    Column("paved_on", "text", "Local date on which the shift began", added=True),
    Column("travel", "text", "Travel of the paver along the stations", TRAVEL),
)
_RANGE = (
    Column("station_from_m", "float64", "Smaller station"),
    Column("station_to_m", "float64", "Larger station"),
    Column("station_from_label", "text", "Smaller station as a label", added=True),
    Column("station_to_label", "text", "Larger station as a label", added=True),
)
_RULE = (Column("rule_id", "text", "Rule profile", added=True),)
_EDGE = (
    Column("edge_from_m", "float64", "Nearest distance from the nearer mat edge"),
    Column("edge_to_m", "float64", "Largest distance from that edge"),
    Column("edge_side", "text", "Side of that mat edge, looking upstation", SIDES),
)


def _when(name: str, meaning: str) -> tuple[Column, Column]:
    """A time and its local text (ISO 8601 with offset)."""
    local = name.removesuffix("_utc") + "_local"
    return Column(name, "datetime", meaning), Column(local, "text", f"{meaning}, local time", added=True)


LOT = Table("lot", "MultiPolygon", "One row a pass and one for the lot", (
    *_IDENTITY, *_RANGE, *_RULE,
    Column("paved_m", "float64", "Ground length paved"),
    Column("measured_m", "float64", "Ground length with positions and readings"),
    Column("unmeasured_m", "float64", "Ground length without: as important as the rest"),
    Column("area_m2", "float64", "Ground area of the mat measured"),
    Column("reading_kept_count", "int64", "Readings kept in the statistics"),
    Column("reading_dropped_count", "int64", "Readings on the mat left out of them"),
    Column("profile_count", "int32", "Thermal profiles"),
    Column("insufficient_count", "int32", "Profiles without enough coverage to class"),
    *(Column(f"class_{rank}_count", "int32", f"Profiles of class rank {rank} (0 = best)") for rank in range(5)),
    *(Column(f"class_{rank}_frac", "float64", f"Share of classed profiles of rank {rank}") for rank in range(5)),
    Column("zone_count", "int32", "Cold zones"),
    Column("zone_area_m2", "float64", "Ground area of cold zones"),
    Column("stop_count", "int32", "Stops"),
    Column("stopped_s", "float64", "Time standing"),
    Column("speed_mean_mps", "float64", "Mean speed while moving, ground path by time"),
    Column("speed_cv_frac", "float64", "Coefficient of variation of speed while moving"),
    Column("sigma_p50_m", "float64", "Median position sigma of readings on the mat"),
    Column("sigma_p95_m", "float64", "95th percentile of it"),
    Column("program_version", "text", "Version of the program", added=True),
))  # fmt: skip
MAT = Table("mat", "MultiPolygon", "Outline of the mat measured, a row a pass", (
    *_IDENTITY, *_RANGE,
    Column("area_m2", "float64", "Ground area"),
    *_when("laid_from_utc", "First laid"), *_when("laid_to_utc", "Last laid"),
    Column("reading_count", "int64", "Readings on the mat"),
    Column("temp_mean_c", "float64", "Mean of kept readings"),
))  # fmt: skip
PAVER_PATH = Table("paver_path", "MultiLineString", "Path of the point below the scanner", (
    *_IDENTITY, *_RANGE, *_when("start_utc", "Start"), *_when("end_utc", "End"),
    Column("length_m", "float64", "Ground length"),
))  # fmt: skip
COLDER = "Mat colder than its surroundings: a place to look, not proof of a defect"
COLD_ZONES = Table("cold_zones", "MultiPolygon", COLDER, (
    *_IDENTITY, *_RANGE, *_RULE,
    Column("zone_id", "int32", "Number of the zone"),
    Column("area_m2", "float64", "Ground area"),
    Column("offset_from_m", "float64", "Smaller offset, right of the line positive looking upstation"),
    Column("offset_to_m", "float64", "Larger offset"),
    *_EDGE,
    Column("temp_min_c", "float64", "Lowest cell temperature"),
    Column("temp_mean_c", "float64", "Mean cell temperature"),
    Column("reference_c", "float64", "Temperature it is compared with: the mat around it, or what the rule fixes"),
    Column("deficit_max_delta_c", "float64", "Largest deficit below that reference"),
    *_when("laid_from_utc", "First laid"), *_when("laid_to_utc", "Last laid"),
    Column("pattern", "text", "Where and when it lies: not why and not whose", PATTERNS),
    Column("pattern_2", "text", "A second pattern that also holds", PATTERNS),
    Column("evidence", "text", "The numbers behind the pattern"),
    Column("stop_id", "int32", "Stop it lies at"),
    Column("in_scope", "bool", "Lies outside every exclusion"),
    Column("position_sigma_m", "float64", "Position sigma, one standard deviation"),
))  # fmt: skip
STOPS = Table("stops", "MultiPolygon", "Where the paver stood: mat wide, 0.3 m each side of the scan line", (
    *_IDENTITY, *_RANGE, *_RULE, *_EDGE,
    Column("stop_id", "int32", "Number of the stop"),
    *_when("start_utc", "Start"), *_when("end_utc", "End"),
    Column("duration_s", "float64", "Time standing"),
    Column("station_m", "float64", "Station of the scan line"),
    Column("station_label", "text", "Station as a label", added=True),
    Column("temp_drop_delta_c", "float64", "Mean temperature before less after the stop line"),
    Column("reason", "text", "Reason given in the diary"),
    Column("position_sigma_m", "float64", "Position sigma, one standard deviation"),
))  # fmt: skip
SPEED_SEGMENTS = Table("speed_segments", "MultiPolygon", "Stretches of even paver speed; never across a stop", (
    *_IDENTITY, *_RANGE, *_RULE,
    Column("segment_id", "int32", "Number of the segment"),
    *_when("start_utc", "Start"), *_when("end_utc", "End"),
    Column("length_m", "float64", "Ground length of new mat"),
    Column("speed_mean_mps", "float64", "Ground path, back-ups counted positive, by duration"),
    Column("speed_cv_frac", "float64", "Coefficient of variation of speed within"),
    Column("speed_band", "text", "Speed band, named by its numbers", added=True),
    Column("position_sigma_m", "float64", "Position sigma, one standard deviation"),
))  # fmt: skip
PROFILES = Table("profiles", "MultiPolygon", "Thermal profiles with differential and class", (
    *_IDENTITY, *_RANGE, *_RULE,
    Column("profile_id", "int32", "Number of the profile within the lot"),
    Column("length_m", "float64", "Ground length along the path"),
    Column("width_mean_m", "float64", "Mean width of the mat measured"),
    Column("area_m2", "float64", "Ground area"),
    Column("reading_count", "int64", "Readings kept"),
    Column("dropped_count", "int64", "Readings left out"),
    Column("dropped_low_count", "int64", "Of these, below the temperature window"),
    Column("coverage_frac", "float64", "Share of the cells in scope that hold a kept reading"),
    Column("excluded_frac", "float64", "Share of readings in exclusions"),
    Column("low_c", "float64", "Low percentile of the sample"),
    Column("high_c", "float64", "High percentile of the sample"),
    Column("differential_delta_c", "float64", "Temperature differential"),
    Column("sample", "text", "What the percentiles are taken of", ("cell_mean", "reading")),
    Column("profile_class", "text", "Class word of the rule, or insufficient"),
    Column("class_rank", "int32", "0 = best; empty where insufficient"),
    Column("margin_delta_c", "float64", "Distance of the differential from the nearest class limit"),
    Column("borderline", "bool", "That margin is inside the instrument's accuracy"),
    Column("class_agree_frac", "float64", "Share of neighbouring placements of the profile grid with the same class"),
    Column("mean_c", "float64", "Mean of the sample"),
    Column("sd_delta_c", "float64", "Standard deviation of the sample"),
    Column("share_cold_frac", "float64", "Share of the sample colder than the zone drop below its mean"),
    Column("stop_count", "int32", "Stops within"),
    Column("stop_time_s", "float64", "Time standing within"),
    Column("speed_mean_mps", "float64", "Mean speed while moving"),
    *_when("laid_from_utc", "First laid"), *_when("laid_to_utc", "Last laid"),
    Column("start_lon_deg", "float64", "Longitude where the profile starts in travel, at C"),
    Column("start_lat_deg", "float64", "Latitude there"),
    Column("end_lon_deg", "float64", "Longitude where it ends"),
    Column("end_lat_deg", "float64", "Latitude there"),
    Column("placed", "text", "How its lines got their positions; empty in a gap", ("fixes", "by_wheel", "partly")),
    Column("position_sigma_m", "float64", "Position sigma, one standard deviation"),
))  # fmt: skip
DROPPED = Table("dropped", "MultiPolygon", "Where and why readings left the statistics", (
    *_IDENTITY, *_RANGE,
    Column("reason", "text", "First reason that applies", DROP_REASONS),
    Column("reading_count", "int64", "Readings"),
))  # fmt: skip
GAPS = Table("gaps", "MultiPolygon", "Stretches without positions or scan lines", (
    *_IDENTITY, *_RANGE,
    Column("kind", "text", "What is missing", GAP_KINDS),
    Column("length_m", "float64", "Ground length by the wheel, else between the ends"),
    *_when("start_utc", "Start"), *_when("end_utc", "End"),
))  # fmt: skip
STATION_TICKS = Table("station_ticks", "Point", "Whole stations along the line", (
    *_IDENTITY,
    Column("station_m", "float64", "Station"),
    Column("station_label", "text", "Station as a label", added=True),
    Column("azimuth_deg", "float64", "Grid azimuth of the line upstation"),
))  # fmt: skip

DIARY = Table("diary", "MultiPolygon", "What the diary notes: mat wide, by time or station through the pass", (
    *_IDENTITY, *_RANGE,
    Column("entry_id", "int32", "Number of the entry"),
    Column("kind", "text", "Kind of entry", DIARY_KINDS),
    *_when("start_utc", "From"), *_when("end_utc", "To"),
    Column("entry_text", "text", "What was written"),
    Column("stop_id", "int32", "Stop of the paver that it tells the reason of"),
))  # fmt: skip
CONTROL = Table("control", "Point", "Points measured independently: rover positions and hand readings", (
    *_IDENTITY,
    Column("point_id", "text", "Point as named in the file"),
    Column("station_m", "float64", "Station"),
    Column("station_label", "text", "Station as a label", added=True),
    Column("offset_m", "float64", "Offset, right of the line positive looking upstation"),
    Column("edge_from_m", "float64", "Distance from the nearer mat edge; negative outside the mat"),
    Column("edge_side", "text", "Side of that mat edge, looking upstation", SIDES),
    Column("lies_on", "text", "What the point was measured on, by its text", CONTROL_PLACES),
    Column("miss_m", "float64", "Its offset less that of what it was measured on, as placed here"),
    *_when("read_utc", "Time of the hand reading"),
    Column("hand_c", "float64", "Hand reading"),
    *_when("seen_utc", "When a spot saw the place, nearest in time to the hand reading"),
    Column("seen_c", "float64", "Reading of that spot"),
    Column("seen_less_hand_delta_c", "float64", "That reading less the hand reading, within one minute of it"),
    Column("entry_text", "text", "What was written"),
    Column("position_sigma_m", "float64", "Position sigma of the readings there, one standard deviation"),
))  # fmt: skip

BY_LOAD = "The rule's statistic by truck load; a load has no class"
PROFILES_BY_LOAD = Table("profiles_by_load", "MultiPolygon", BY_LOAD, (
    *_IDENTITY, *_RANGE, *_RULE,
    Column("load_id", "int32", "Number of the load within the lot"),
    Column("ticket_id", "text", "Its ticket, or tickets"),
    Column("cut_by", "text", "What its ends are taken from", ("tickets", "load_length")),
    *_when("end_utc", "End of its discharge into the paver"),
    Column("length_m", "float64", "Ground length along the path"),
    Column("area_m2", "float64", "Ground area"),
    Column("coverage_frac", "float64", "Share of the cells in scope that hold a kept reading"),
    Column("low_c", "float64", "Low percentile of the sample"),
    Column("high_c", "float64", "High percentile of the sample"),
    Column("differential_delta_c", "float64", "Temperature differential"),
    Column("mean_c", "float64", "Mean of the sample"),
    Column("sd_delta_c", "float64", "Standard deviation of the sample"),
    Column("mass_t", "float64", "Mass by ticket, t of 1000 kg"),
    Column("spread_kg_m2", "float64", "That mass by area, of loads that lie wholly in the pass"),
    Column("spread_off_kg_m2", "float64", "Mass by area less the stated spread rate"),
))  # fmt: skip

LAYERS = (
    LOT, MAT, PAVER_PATH, COLD_ZONES, STOPS, SPEED_SEGMENTS, PROFILES, PROFILES_BY_LOAD, DROPPED, GAPS, STATION_TICKS,
    DIARY, CONTROL,
)  # fmt: skip
LAYER = {table.name: table for table in LAYERS}

SPOTS = Table("spots", "Point", "One row a reading on the mat, in the order of line and spot", (
    Column("line", "int64", "Data row of the scan log over all files in order, 1 = first"),
    Column("spot", "int32", "Spot column, 1 = first; of several scanners counted across them all"),
    Column("scanner", "text", "Scanner, where there are several"),
    Column("pass_id", "text", "Paver pass"),
    Column("seen_utc", "datetime", "When the line of spots saw the place"),
    Column("laid_utc", "datetime", "When the screed passed it"),
    Column("look_age_s", "float32", "Seen less laid"),
    Column("easting_m", "float64", "Easting x the unit factor of the map CRS"),
    Column("northing_m", "float64", "Northing x the unit factor of the map CRS"),
    Column("station_m", "float64", "Station"),
    Column("offset_m", "float32", "Offset, right positive looking upstation"),
    Column("temp_c", "float32", "Reading, corrected where the lot names a correction"),
    Column("temp_raw_c", "float32", "Reading as logged, where a correction was applied"),
    Column("kept", "bool", "Kept in the statistics"),
    Column("dropped_reason", "text", "First reason that applies", DROP_REASONS),
    Column("placed", "text", "How the line got its position", ("fixes", "by_wheel")),
    Column("sigma_along_m", "float32", "Position sigma along travel, one standard deviation"),
    Column("sigma_across_m", "float32", "Position sigma across"),
    Column("position_sigma_m", "float32", "Root of the sum of their squares"),
    Column("speed_mps", "float32", "Speed of the paver"),
))  # fmt: skip

LINES = Table("lines", None, "One row a scan line with readings on the mat: its position, then its readings", (
    Column("line", "int64", "Data row of the scan log over all files in order, 1 = first"),
    Column("pass_id", "text", "Paver pass"),
    *_when("seen_utc", "When the line of spots saw the place"),
    Column("station_m", "float64", "Station of the middle of its spots on the mat"),
    Column("station_label", "text", "Station as a label"),
    Column("offset_m", "float64", "Offset of that middle, right positive looking upstation"),
    Column("map_easting", "float64", "Easting of that middle, in the unit of the map CRS"),
    Column("map_northing", "float64", "Northing, likewise"),
    Column("lon_deg", "float64", "Longitude in the geographic frame of the map CRS"),
    Column("lat_deg", "float64", "Latitude, likewise"),
    Column("speed_mps", "float64", "Speed of the paver"),
    Column("position_sigma_m", "float64", "Position sigma, one standard deviation"),
    Column("placed", "text", "How the line got its position", ("fixes", "by_wheel")),
))  # fmt: skip

_BETWEEN = (
    Column("feature_uid", "text", "lots:layer:number", added=True),
    Column("lot_id", "text", "Lot: of two lifts the upper"),
    Column("other_lot_id", "text", "Lot that it is compared with"),
)
_WHERE = (
    Column("pass_id", "text", "Paver pass of the first lot named, whose stations and offsets these are"),
    *_RANGE,
)
COMPARED_KINDS = ("zone", "stop")


def _by_chance(stem: str, what: str) -> tuple[Column, ...]:
    """A number observed, and what it is when one lot is shifted along the other."""
    name = stem.removesuffix("_frac")
    end = "_frac" if stem != name else ""
    return (
        Column(stem, "float64", what),
        Column(f"{name}_expected{end}", "float64", "Mean of that over the shifts: what chance gives"),
        Column(f"{name}_low{end}", "float64", "Lower end of the middle 95 % of the shifts"),
        Column(f"{name}_high{end}", "float64", "Upper end of it"),
        Column(f"{name}_reached_frac", "float64", "Share of the shifts with as much or more"),
    )


COMMON_MAT = Table("common_mat", "MultiPolygon", "Mat that both lots cover, and what chance would give there", (
    *_BETWEEN,
    Column("lift", "int32", "Lift of the lot, counted from the bottom"),
    Column("other_lift", "int32", "Lift of the other"),
    *_RANGE,
    Column("area_m2", "float64", "Ground area"),
    Column("cell_m", "float64", "Cell over which readings are averaged: that of the rule's statistic"),
    Column("cell_count", "int64", "Cells that hold readings of both"),
    Column("sigma_m", "float64", "Typical position sigma of both together, with the coordinate operation"),
    Column("shift_count", "int32", "Shifts along station that chance is judged by"),
    Column("zone_count", "int32", "Cold zones of the lot on common mat"),
    Column("other_zone_count", "int32", "Cold zones of the other there"),
    *_by_chance("zones_on", "Cold zones of the lot that lie over one of the other, within two sigmas"),
    *_by_chance("overlap_frac", "Share of the area of its cold zones that lies over one of the other"),
    Column("stop_count", "int32", "Stops of the lot on common mat"),
    Column("other_stop_count", "int32", "Stops of the other there"),
    *_by_chance("stops_on", "Stops of the lot at one of the other, within two sigmas"),
    *_by_chance("correlation", "Correlation of both lots' deficits over the common cells"),
    Column("effective_count", "float64", "Independent cells that would scatter by chance as much as the shifts"),
))  # fmt: skip
COINCIDENCES = Table("coincidences", "MultiPolygon", "Places of one lot over places of the other: to look at", (
    *_BETWEEN,
    Column("kind", "text", "What lies over its like", COMPARED_KINDS),
    Column("number", "int32", "Its number in its lot"),
    Column("other_number", "int32", "Number of the other in its lot"),
    *_WHERE,
    Column("offset_from_m", "float64", "Smaller offset, right of the line positive looking upstation"),
    Column("offset_to_m", "float64", "Larger offset"),
    Column("overlap_m2", "float64", "Ground area of the overlap"),
    Column("overlap_frac", "float64", "Share of its own area"),
    Column("other_overlap_frac", "float64", "Share of the other's area"),
    Column("distance_m", "float64", "Between nearest edges, 0 where they overlap"),
    Column("reach_m", "float64", "Twice the combined position sigma: as far as they may lie apart"),
    Column("deficit_max_delta_c", "float64", "Largest deficit of the zone"),
    Column("other_deficit_max_delta_c", "float64", "Largest deficit of the other"),
    Column("duration_s", "float64", "Time standing at the stop"),
    Column("other_duration_s", "float64", "Time standing at the other"),
))  # fmt: skip
PLACES = Table("places", "MultiPolygon", "Every cold zone and stop on common mat, with the nearest of the other lot", (
    *_BETWEEN,
    Column("kind", "text", "What it is", COMPARED_KINDS),
    Column("number", "int32", "Its number in its lot"),
    *_WHERE,
    Column("nearest_number", "int32", "Number of the nearest in the other lot"),
    Column("nearest_m", "float64", "Between nearest edges, 0 where they overlap"),
    Column("coincides", "bool", "Nearer than twice the combined position sigma"),
    Column("position_sigma_m", "float64", "Its position sigma, one standard deviation"),
))  # fmt: skip
PROFILE_PAIRS = Table("profile_pairs", "MultiPolygon", "Profiles of both lots side by side, cut where either ends", (
    *_BETWEEN,
    Column("profile_id", "int32", "Profile of the lot"),
    Column("other_profile_id", "int32", "Profile of the other"),
    *_WHERE,
    Column("common_frac", "float64", "Share of the profile's area that they have in common"),
    Column("other_common_frac", "float64", "Share of the other's area"),
    Column("profile_class", "text", "Class word of its rule, or insufficient"),
    Column("other_profile_class", "text", "Class word of the other"),
    Column("differential_delta_c", "float64", "Temperature differential"),
    Column("other_differential_delta_c", "float64", "Temperature differential of the other"),
    Column("borderline", "bool", "Its margin is inside the instrument's accuracy"),
    Column("other_borderline", "bool", "The other's is"),
))  # fmt: skip
COMPARED = (COMMON_MAT, PROFILE_PAIRS, PLACES, COINCIDENCES)


LOTS = Table("lots", "MultiPolygon", "One row a revision of a lot in an archive; outline good to metres, for finding", (
    Column("feature_uid", "text", "Lot and revision, as the catalogue names them"),
    Column("lot_id", "text", "Lot"),
    Column("revision", "int32", "Revision of the lot"),
    Column("standing", "text", "Whether a later revision, or a lot that supersedes it, is archived", STANDINGS),
    Column("superseded_by", "text", "The newest that supersedes it"),
    Column("route", "text", "Route"),
    Column("lane", "text", "Lane; several with & between"),
    Column("lift", "int32", "Lift, counted from the bottom"),
    Column("course", "text", "Course"),
    Column("mix", "text", "Mix"),
    Column("paved_on", "text", "Local date on which the shift began"),
    Column("laid_from_utc", "datetime", "First laid"),
    Column("laid_to_utc", "datetime", "Last laid"),
    *(replace(column, added=False) for column in _RANGE),
    Column("rule_id", "text", "Rule profile"),
    Column("profile_count", "int32", "Thermal profiles"),
    Column("insufficient_count", "int32", "Profiles without enough coverage to class"),
    Column("classes", "text", "Profiles by the rule's class words, best first"),
    Column("worst_class", "text", "Worst class word that a profile has"),
    Column("zone_count", "int32", "Cold zones"),
    Column("zone_area_m2", "float64", "Ground area of cold zones"),
    Column("stop_count", "int32", "Stops"),
    Column("paved_m", "float64", "Ground length paved"),
    Column("unmeasured_m", "float64", "Ground length without positions and readings"),
    Column("area_m2", "float64", "Ground area of the mat measured"),
    Column("doubt_count", "int32", "Doubts that the result carries"),
    Column("note_count", "int32", "Notes on the lot"),
    Column("has_logs", "bool", "The raw logs are in the bag"),
    Column("map_crs", "text", "Map CRS of the products in the bag"),
    Column("outline_accuracy_m", "float64", "Accuracy of the operation from there to this outline, as registered"),
    Column("outline_operation", "text", "That operation"),
    Column("agency_keys", "text", "What the agency asked for: contract, bid item, .."),
    Column("bag", "text", "Folder of the bag, from the archive"),
    Column("bag_sha256", "text", "Digest of the bag's tag manifest, which covers every other file"),
))  # fmt: skip


SEASON_STATES = ("done", "refused")
SEASON = Table("season", None, "One row a lot of a season, by day", (
    Column("lot_id", "text", "Lot; its result lies beside under this name"),
    Column("lot_folder", "text", "Lot folder, from the folder that holds all of them; empty: not named in this call"),
    Column("state", "text", "Whether the result beside is of the lot as it was given", SEASON_STATES),
    Column("exit_code", "int32", "Of a refused lot, as `run` would have ended: 1 to 5"),
    Column("error", "text", "Why it was refused"),
    Column("revision", "int32", "Revision of the lot"),
    Column("superseded_by", "text", "Lot of the season that states that it supersedes this one"),
    Column("route", "text", "Route"),
    Column("lane", "text", "Lane"),
    Column("lift", "int32", "Lift, counted from the bottom"),
    Column("mix", "text", "Mix"),
    Column("paved_on", "text", "Local date on which the shift began"),
    Column("rule_id", "text", "Rule profile"),
    Column("profile_count", "int32", "Thermal profiles"),
    Column("insufficient_count", "int32", "Profiles without enough coverage to class"),
    Column("classes", "text", "Profiles by the rule's class words, best first"),
    *(Column(f"class_{rank}_count", "int32", f"Profiles of class rank {rank} (0 = best)") for rank in range(5)),
    Column("zone_count", "int32", "Cold zones"),
    Column("zone_area_m2", "float64", "Ground area of cold zones"),
    Column("stop_count", "int32", "Stops"),
    Column("stopped_s", "float64", "Time standing"),
    Column("paved_m", "float64", "Ground length paved"),
    Column("unmeasured_m", "float64", "Ground length without positions and readings"),
    Column("area_m2", "float64", "Ground area of the mat measured"),
    Column("speed_mean_mps", "float64", "Mean speed while moving, ground path by time"),
    Column("reading_kept_count", "int64", "Readings kept in the statistics"),
    Column("reading_dropped_count", "int64", "Readings on the mat left out of them"),
    Column("sigma_p95_m", "float64", "95th percentile of the position sigma"),
    Column("doubt_count", "int32", "Doubts that the result carries"),
    Column("program_version", "text", "Version of the program"),
    Column("report", "text", "Page of the lot, from this table"),
))  # fmt: skip


# ------------------------------------------------------------------------------------- studies beside a run

CORE_KINDS = ("core", "gauge", "point")
PLACED_BY = ("map", "station")
TOUCHED = ("cold_zones", "stops", "profiles")
_LOT = (
    Column("feature_uid", "text", "lot:layer:number, unique together with revision", added=True),
    Column("lot_id", "text", "Lot", added=True),
    Column("revision", "int32", "Revision of the lot", added=True),
    Column("source", "text", "File it was read from"),
)
_AROUND = (
    Column("reading_count", "int32", "First looks at mat within the position's uncertainty (95 %)"),
    Column("temp_mean_c", "float64", "Their mean, weighted by the sigmas of the place"),
    Column("temp_min_c", "float64", "Coldest of them"),
    Column(
        "temp_sd_delta_c", "float64", "Weighted standard deviation: what the place's uncertainty leaves open"
    ),
    Column("kept_frac", "float64", "Share of their weight that the profiles' statistics keep"),
    Column("reference_c", "float64", "Temperature of the mat around that zones are compared with"),
    Column("deficit_delta_c", "float64", "That less the mean: how much colder than the mat around"),
)
CORES = Table("cores", "Point", "Cores, gauge readings and as-built points: what the mat was there", (
    *_LOT,
    Column("core_id", "text", "Core, reading or point as named in its file"),
    Column("kind", "text", "What was taken there", CORE_KINDS),
    Column("pass_id", "text", "Paver pass"),
    Column("station_m", "float64", "Station"),
    Column("station_label", "text", "Station as a label", added=True),
    Column("offset_m", "float64", "Offset, right of the line positive looking upstation"),
    Column("edge_from_m", "float64", "Distance from the nearer mat edge; negative outside the mat"),
    Column("edge_side", "text", "Side of that mat edge, looking upstation", SIDES),
    Column("lon_deg", "float64", "Longitude in the geographic frame of the map CRS", added=True),
    Column("lat_deg", "float64", "Latitude, likewise", added=True),
    Column("placed_by", "text", "What the file gives: map position, or station and offset", PLACED_BY),
    Column("own_sigma_m", "float64", "Sigma of its own position, one axis, as stated"),
    Column("frame_accuracy_m", "float64", "Accuracy of the coordinate operation that brought it here"),
    Column("sigma_along_m", "float64", "These and the readings' sigma together, along the mat"),
    Column("sigma_across_m", "float64", "The same across"),
    *_AROUND,
    *_when("laid_utc", "When the screed passed the nearest reading"),
    Column("look_age_s", "float64", "Time behind the screed at which that was seen"),
    Column("speed_mps", "float64", "Speed of the paver there"),
    Column("profile_id", "int32", "Profile it lies in"),
    Column("profile_class", "text", "Class of that profile"),
    Column("in_zone", "bool", "Lies in a cold zone as placed"),
    Column("in_zone_frac", "float64", "Probability that it lies in a cold zone, by the sigmas"),
    Column("zone_id", "int32", "Nearest cold zone"),
    Column("zone_distance_m", "float64", "Distance from that zone's outline, in or out"),
    Column("stop_id", "int32", "Nearest stop of the pass"),
    Column("stop_along_m", "float64", "Station less that of the stop's spot line"),
    Column("density_kg_m3", "float64", "Density, where the file gives one as such or as a share of Gmm"),
    Column("gmm", "float64", "Theoretical maximum specific gravity, as stated"),
    Column("of_gmm_frac", "float64", "Density as a share of the theoretical maximum"),
    Column("note", "text", "Why it could not be placed, or what to know about its place"),
))  # fmt: skip
ASBUILT_AREAS = Table("asbuilt_areas", "MultiPolygon", "As-built polygons: the mat within each", (
    *_LOT,
    Column("area_id", "int32", "Number over all files"),
    Column("source_layer", "text", "Layer of the file"),
    Column("name", "text", "What the file calls it"),
    Column("pass_id", "text", "Paver passes it touches"),
    *_RANGE,
    Column("frame_accuracy_m", "float64", "Accuracy of the coordinate operation that brought it here"),
    Column("area_m2", "float64", "Ground area"),
    Column("on_mat_m2", "float64", "Ground area of the part on the mat measured"),
    Column("reading_count", "int64", "First looks at mat within"),
    Column("temp_mean_c", "float64", "Their mean"),
    Column("temp_min_c", "float64", "Coldest of them"),
    Column("temp_sd_delta_c", "float64", "Their standard deviation"),
    Column("deficit_mean_delta_c", "float64", "Mean of how much colder than the mat around"),
    Column("deficit_max_delta_c", "float64", "Largest of it"),
    *_when("laid_from_utc", "First laid"), *_when("laid_to_utc", "Last laid"),
    Column("zone_count", "int32", "Cold zones it touches"),
    Column("zone_area_m2", "float64", "Ground area of cold zones within"),
    Column("stop_count", "int32", "Stops it touches"),
    Column("profile_count", "int32", "Profiles it touches"),
    Column("position_sigma_m", "float64", "Position sigma of the readings within, median"),
))  # fmt: skip
TOUCHES = Table("touches", None, "Which zones, stops and profiles each as-built polygon touches", (
    Column("area_id", "int32", "As-built polygon"),
    Column("name", "text", "What its file calls it"),
    Column("layer", "text", "Layer of the result", TOUCHED),
    Column("number", "int32", "Number of the feature in that layer"),
    Column("area_m2", "float64", "Ground area in common"),
    Column("of_area_frac", "float64", "Share of the as-built polygon"),
    Column("of_feature_frac", "float64", "Share of the zone, stop or profile"),
))  # fmt: skip
ASBUILT_LINES = Table("asbuilt_lines", "MultiLineString", "As-built lines against the edge of the mat, a row a pass", (
    *_LOT,
    Column("line_id", "int32", "Number over all files"),
    Column("source_layer", "text", "Layer of the file"),
    Column("name", "text", "What the file calls it"),
    Column("pass_id", "text", "Paver pass"),
    *_RANGE,
    Column("frame_accuracy_m", "float64", "Accuracy of the coordinate operation that brought it here"),
    Column("point_count", "int32", "Places along it that lie beside this pass"),
    Column("edge_side", "text", "Mat edge that it is held against: the nearer one", SIDES),
    Column("off_edge_mean_m", "float64", "Its offset less that of the edge, right positive looking upstation"),
    Column("off_edge_min_m", "float64", "Smallest of it"),
    Column("off_edge_max_m", "float64", "Largest of it"),
    Column("off_edge_sd_m", "float64", "Standard deviation along the line"),
    Column("sigma_across_m", "float64", "Sigma of the mat's place across, median"),
))  # fmt: skip
LINE_OFFSETS = Table("line_offsets", "Point", "As-built lines against the edge of the mat, by station", (
    *_LOT,
    Column("line_id", "int32", "As-built line"),
    Column("name", "text", "What the file calls it"),
    Column("pass_id", "text", "Paver pass"),
    Column("station_m", "float64", "Station"),
    Column("station_label", "text", "Station as a label", added=True),
    Column("offset_m", "float64", "Offset of the line, right positive looking upstation"),
    Column("edge_side", "text", "Mat edge that it is held against", SIDES),
    Column("off_edge_m", "float64", "Its offset less that of the edge, right positive looking upstation"),
    Column("sigma_across_m", "float64", "Sigma of the mat's place across"),
))  # fmt: skip
DENSITIES = Table("densities", None, "Density by temperature deficit: cores and gauges apart, never pay", (
    Column("kind", "text", "What was taken", CORE_KINDS),
    Column("deficit_from_delta_c", "float64", "Deficit from"),
    Column("deficit_to_delta_c", "float64", "Deficit to; empty = no limit"),
    Column("core_count", "int32", "Cores or readings"),
    Column("density_mean_kg_m3", "float64", "Mean density"),
    Column("density_sd_kg_m3", "float64", "Standard deviation"),
    Column("of_gmm_mean_frac", "float64", "Mean share of the theoretical maximum"),
    Column("of_gmm_min_frac", "float64", "Lowest share"),
))  # fmt: skip
OVERLAY = (CORES, ASBUILT_AREAS, ASBUILT_LINES, LINE_OFFSETS)

_PLANNED = tuple(column for column in _LOT if column.added)
_STATION = (
    Column("station_m", "float64", "Station"),
    Column("station_label", "text", "Station as a label", added=True),
    Column("offset_m", "float64", "Offset, right of the line positive looking upstation"),
)
_FROM_EDGE = (
    Column("edge_from_m", "float64", "Distance from the nearer mat edge"),
    Column("edge_side", "text", "Side of that mat edge, looking upstation", SIDES),
)
_LON_LAT = (
    Column("lon_deg", "float64", "Longitude in the geographic frame of the map CRS", added=True),
    Column("lat_deg", "float64", "Latitude, likewise", added=True),
)
RANDOM_CORES = Table("random_cores", "Point", "Where cores are drilled: drawn at random, blind to temperature", (
    *_PLANNED,
    Column("core_id", "text", "Site"),
    Column("sublot_id", "int32", "Sublot that it stands for"),
    Column("draw_number", "int32", "Row of the random numbers that it was drawn by"),
    Column("pass_id", "text", "Paver pass"),
    Column("travel", "text", "Travel of the paver along the stations", TRAVEL),
    *_STATION,
    Column("random_length", "float64", "Random number along the sublot"),
    Column("random_width", "float64", "Random number across the mat"),
    Column("along_m", "float64", "That number x length of the sublot: from where it begins in paving"),
    Column("left_edge_m", "float64", "Offset of the mat's left edge there, looking upstation"),
    Column("right_edge_m", "float64", "Offset of the right edge"),
    Column("usable_from_m", "float64", "Offset from which the usable width counts, to the right"),
    Column("usable_to_m", "float64", "Offset up to which sites are drawn"),
    Column("left_limit_m", "float64", "No site nearer to the left edge than this"),
    Column("right_limit_m", "float64", "No site nearer to the right edge"),
    Column("moved", "bool", "Drawn nearer to an edge than its limit, and moved to the limit"),
    *_FROM_EDGE,
    Column("tick_m", "float64", "Nearest whole station"),
    Column("tick_label", "text", "That station as a label", added=True),
    Column("tick_along_m", "float64", "Station of the site less that: positive upstation of it"),
    Column("control_id", "text", "Nearest control point of the lot"),
    Column("control_m", "float64", "Ground distance from it, to check by"),
    Column("map_easting", "float64", "Easting in the unit of the map CRS", added=True),
    Column("map_northing", "float64", "Northing, likewise", added=True),
    *_LON_LAT,
    Column("sigma_along_m", "float64", "Sigma of the mat's place along it, one standard deviation"),
    Column("sigma_across_m", "float64", "The same across"),
    Column("position_sigma_m", "float64", "Root of the sum of their squares"),
    *_when("laid_utc", "When the screed passed the nearest reading"),
    Column("profile_id", "int32", "Profile it lies in"),
))  # fmt: skip
RANDOM_NUMBERS = Table("random_numbers", None, "Every pair of random numbers in the order drawn, used or not", (
    Column("draw_number", "int32", "Number of the pair: its numbers are the 2n-1 th and 2n th of the stream"),
    Column("sublot_id", "int32", "Sublot"),
    Column("core_id", "text", "Site, where the pair was used"),
    Column("random_length", "float64", "Random number along the sublot"),
    Column("random_width", "float64", "Random number across the mat"),
    Column("along_m", "float64", "From where the sublot begins in paving"),
    Column("pass_id", "text", "Paver pass"),
    *_STATION,
    Column("used", "bool", "A site lies there"),
    Column("reason", "text", "Why none may lie there, and the next pair was drawn"),
))  # fmt: skip
SUBLOTS = Table("sublots", "MultiPolygon", "What each site stands for, a row for each pass that a sublot lies in", (
    *_PLANNED,
    Column("sublot_id", "int32", "Sublot, in order of paving"),
    Column("part_number", "int32", "Part of it, in order of paving"),
    Column("pass_id", "text", "Paver pass"),
    Column("travel", "text", "Travel of the paver along the stations", TRAVEL),
    Column("begin_m", "float64", "Station where the part begins in paving"),
    Column("begin_label", "text", "That station as a label", added=True),
    Column("end_m", "float64", "Station where it ends"),
    Column("end_label", "text", "That station as a label", added=True),
    Column("length_m", "float64", "Length by these stations, which sites are drawn along"),
    Column("before_m", "float64", "Length of the sublot's parts before it"),
    Column("ground_m", "float64", "Ground length of paved mat along its middle"),
    Column("width_mean_m", "float64", "Mean width of the mat"),
    Column("area_m2", "float64", "Ground area"),
    Column("mass_t", "float64", "Mass by the stated spread rate on that area, t of 1000 kg"),
    Column("core_count", "int32", "Sites drawn in the whole sublot"),
    Column("weight_frac", "float64", "Share of the whole sublot in the lot: weight of the mean of its samples"),
))  # fmt: skip
LOOKED_AT = (
    "Not random, no sample: cold zones with the most area x deficit. A place to look, not proof of a defect"
)
PLACES_TO_LOOK = Table("places_to_look", "MultiPolygon", LOOKED_AT, (
    *_PLANNED,
    Column("place_number", "int32", "Rank by area x largest deficit"),
    Column("zone_id", "int32", "Cold zone of the result"),
    Column("pass_id", "text", "Paver pass"),
    *_RANGE,
    Column("offset_from_m", "float64", "Smaller offset, right of the line positive looking upstation"),
    Column("offset_to_m", "float64", "Larger offset"),
    *_EDGE,
    Column("area_m2", "float64", "Ground area"),
    Column("deficit_max_delta_c", "float64", "Largest deficit below the mat around"),
    Column("pattern", "text", "Where and when it lies: not why and not whose", PATTERNS),
    *_when("laid_from_utc", "First laid"),
    Column("position_sigma_m", "float64", "Position sigma, one standard deviation"),
))  # fmt: skip
DENSITY_PROFILES = Table("density_profiles", "MultiLineString", "Not random: a line of gauge readings proposed there", (
    *_PLANNED,
    Column("place_number", "int32", "Place to look at"),
    Column("zone_id", "int32", "Cold zone of the result"),
    Column("pass_id", "text", "Paver pass"),
    Column("travel", "text", "Travel of the paver along the stations", TRAVEL),
    *_RANGE,
    Column("offset_m", "float64", "Offset of the line, right positive looking upstation"),
    *_FROM_EDGE,
    Column("length_m", "float64", "Ground length"),
    Column("reading_count", "int32", "Readings, the first and the last at its ends"),
    Column("position_sigma_m", "float64", "Position sigma, one standard deviation"),
))  # fmt: skip
DENSITY_READINGS = Table("density_readings", "Point", "Not random: where the gauge is set on these lines", (
    *_PLANNED,
    Column("core_id", "text", "Reading: place, and its number along the line upstation"),
    Column("place_number", "int32", "Place to look at"),
    Column("zone_id", "int32", "Cold zone of the result"),
    Column("along_m", "float64", "Ground distance from the line's end with the smaller station"),
    *_STATION,
    *_FROM_EDGE,
    *_LON_LAT,
))  # fmt: skip
PLANNED = (RANDOM_CORES, SUBLOTS, PLACES_TO_LOOK, DENSITY_PROFILES, DENSITY_READINGS)


def markdown(table: Table) -> str:
    """Write a table's columns as Markdown, as the README shows them.

    >>> print(markdown(STATION_TICKS).splitlines()[-1])
    | `azimuth_deg` | deg | Grid azimuth of the line upstation |
    """
    rows = [f"| `{column.name}` | {column.unit} | {_described(column)} |" for column in table.columns]
    return "\n".join(["| column | unit | meaning |", "| --- | --- | --- |", *rows])


def _described(column: Column) -> str:
    words = ", ".join(f"`{word}`" for word in column.values)
    return f"{column.meaning}: {words}" if words else column.meaning
