"""Questions beside a run: one short function a study command: open, study, write."""

from .asked import explain
from .records import overlay, plan_cores
from .rig import rig_antenna, rig_reach, rig_reader, rig_thermometer, rig_wheel, thermometer_by_emissivity
from .warmth import cooling, load_cycles, plot_cooling, plot_loads

__all__ = [
    "cooling",
    "explain",
    "load_cycles",
    "overlay",
    "plan_cores",
    "plot_cooling",
    "plot_loads",
    "rig_antenna",
    "rig_reach",
    "rig_reader",
    "rig_thermometer",
    "rig_wheel",
    "thermometer_by_emissivity",
]
