"""How long a mat stays workable: an estimate of what weather and thickness allow, never of what compaction needs."""

from .conditions import CESSATION_C, Conditions, Moment, conditions_of, parse_weather
from .estimate import Cooling, assumptions, available, cooling, fan
from .told import NOT_NEEDED, Part, Told, minutes, moment_words, parts_of, parts_of_place, tell_parts

__all__ = [
    "CESSATION_C",
    "NOT_NEEDED",
    "Conditions",
    "Cooling",
    "Moment",
    "Part",
    "Told",
    "assumptions",
    "available",
    "conditions_of",
    "cooling",
    "fan",
    "minutes",
    "moment_words",
    "parse_weather",
    "parts_of",
    "parts_of_place",
    "tell_parts",
]
