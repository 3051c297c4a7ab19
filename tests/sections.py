"""The sections of a lot file that fit a synthetic plan, for stages tested without a lot file."""

from __future__ import annotations

from thermosaic import config
from thermosaic.synthetic import LotPlan

Sections = tuple[config.CrsSection, config.RigSection, config.ScannerSection]


def sections(plan: LotPlan, **rig: str) -> Sections:
    """Write CRS, rig and scanner as a lot file would; `rig` overrides keys of [rig]."""
    lengths = {
        name.removesuffix("_m"): value for name, value in vars(plan.rig).items() if name.endswith("_m")
    }
    written = {name: f"{value} m" for name, value in lengths.items()}
    written["cross_slope"] = plan.cross_slope
    written["heading_offset"] = f"{plan.rig.heading_offset_deg} deg"
    written["clock_offset"] = f"{plan.scanner.clock_offset_s} s"
    scanner = {
        "spots_right": {"first": f"{plan.scanner.first_m} m", "last": f"{plan.scanner.last_m} m"},
        "mat_left": f"{plan.scanner.mat_left_m} m",
        "mat_right": f"{plan.scanner.mat_right_m} m",
    }
    return (
        config.CrsSection.model_validate({"fixes": plan.fixes_crs, "map": plan.map_crs, "epoch": plan.epoch}),
        config.RigSection.model_validate(written | rig),
        config.ScannerSection.model_validate(scanner),
    )


def frames(map_crs: str, alignment: str | None = None, **others: float | bool) -> config.CrsSection:
    """Frames of a lot whose alignment states its own, or none; `others` overrides epoch and accept_ensemble."""
    stated = {"fixes": "EPSG:6318", "map": map_crs, "alignment": alignment} | others
    return config.CrsSection.model_construct(**{"accuracy_m": 0.1} | stated)
