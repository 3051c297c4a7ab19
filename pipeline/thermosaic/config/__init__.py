"""What a lot, a rig, a rule profile and a log format state: mappings in, frozen sections out; pure.

Every quantity comes as a string with its unit and becomes SI here, so a key without a suffix in TOML
(`antenna_forward = "78 in ahead"`) is an attribute with one (`antenna_forward_m`). Defaults are written
as a user would write them. None stands in for anything that a site must measure. No file of the user
is opened here: reading is `files.settings` and `files.catalogue`, what a lot names is resolved in `opening`.

This page names what other rooms take; they import it from here, never from a module of this package.
"""

from .agencies import HANDED_IN, AgencyPattern, HandedIn, HandIn
from .agreement import disagreements
from .changes import ChangeSection, ClockSets, SetUp, changed_by, impossible, set_ups
from .evidence import EvidenceFile, EvidenceValue
from .formats import LOG_COLUMNS, SIDE_FILES, LogFormat
from .lot import (
    AcceptSection,
    CrsSection,
    DeliverySection,
    FilesSection,
    GridSection,
    LimitsSection,
    LotSection,
)
from .rig import RigFile, RigSection, ScannerPart, ScannerSection, SpotsByAngle, SpotsEven, one_line
from .rules import (
    ClassesRule,
    EdgeTrimRule,
    PayRule,
    ProfileRule,
    RuleProfile,
    StatisticRule,
    StopRule,
    ZoneRule,
)
from .section import Section
from .sources import stated_values, unsourced
from .stationing import (
    ExcludeSection,
    MarkSection,
    PassSection,
    StationingSection,
    StationPlan,
    passes_in_time,
    time_order,
)
from .whole import LotConfig, LotFile, LotStatement, config_as_used

__all__ = [
    "HANDED_IN",
    "LOG_COLUMNS",
    "SIDE_FILES",
    "AcceptSection",
    "AgencyPattern",
    "ChangeSection",
    "ClassesRule",
    "ClockSets",
    "CrsSection",
    "DeliverySection",
    "EdgeTrimRule",
    "EvidenceFile",
    "EvidenceValue",
    "ExcludeSection",
    "FilesSection",
    "GridSection",
    "HandIn",
    "HandedIn",
    "LimitsSection",
    "LogFormat",
    "LotConfig",
    "LotFile",
    "LotSection",
    "LotStatement",
    "MarkSection",
    "PassSection",
    "PayRule",
    "ProfileRule",
    "RigFile",
    "RigSection",
    "RuleProfile",
    "ScannerPart",
    "ScannerSection",
    "Section",
    "SetUp",
    "SpotsByAngle",
    "SpotsEven",
    "StationPlan",
    "StationingSection",
    "StatisticRule",
    "StopRule",
    "ZoneRule",
    "changed_by",
    "config_as_used",
    "disagreements",
    "impossible",
    "one_line",
    "passes_in_time",
    "set_ups",
    "stated_values",
    "time_order",
    "unsourced",
]
