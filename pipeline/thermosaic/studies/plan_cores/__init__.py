"""Plan where cores are drilled: stratified random sites on the mat, and, kept apart, places to look at.

The random sites follow from lengths, edges, exclusions and a stated stream of random numbers alone: neither
temperature nor appearance enters. The places to look at follow from the cold zones and are no sample of the lot.
Nothing is read or written here.
"""

from .notes import CAUTIONS, place_notes, plan_notes
from .places import place_frames
from .rule import EDGE_KINDS, PlanRule
from .sites import Plan, plan_sites
from .stream import listed, seed_words, seeded

__all__ = [
    "CAUTIONS",
    "EDGE_KINDS",
    "Plan",
    "PlanRule",
    "listed",
    "place_frames",
    "place_notes",
    "plan_notes",
    "plan_sites",
    "seed_words",
    "seeded",
]
