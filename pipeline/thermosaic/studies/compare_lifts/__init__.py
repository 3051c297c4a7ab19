"""Two lots in space: cold places, stops and classes of one over those of the other, held against chance."""

from .comparison import Along, Comparison, compare_lifts
from .lifts import Lift, Line, Readings

__all__ = ["Along", "Comparison", "Lift", "Line", "Readings", "compare_lifts"]
