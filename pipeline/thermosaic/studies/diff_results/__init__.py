"""What changed between two results of one lot: inputs, keys, places, readings, classes, zones, stops, totals.

Pure: `differing` opens the results and hands their readings over block by block. Causes are named where the
numbers show them, and nothing is named that did not change.
"""

from .nouns import Differences, Part, Side
from .parts import result_parts
from .tally import COLUMNS, ReadingChanges, ReadingTally
from .text import told

__all__ = ["COLUMNS", "Differences", "Part", "ReadingChanges", "ReadingTally", "Side", "result_parts", "told"]
