"""What a lot states now against what a result was made with, or another lot states, and what that affects.

The table `AFFECTS` is the statement: the longest beginning of a key that is in it counts. Nothing is run.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from ..config import LotConfig, config_as_used
from ..delivery import tell
from ..errors import ConfigError
from ..files import manifest
from ..tables import suffix
from ..units import StationLabels
from .items import CheckItem, LotCheck, in_lot_units, look, ok

NAMES = "names, tables and the report; no position, cut or class"
PICTURES = "pictures only; no position, number or class"
STATEMENT = "what check holds against the logs; no product but the statement itself"
STATIONS_ALL = (
    "stations, offsets and labels, and with an alignment the mat frame: cuts and classes too; never positions"
)
PLACES = "positions, and with them stations, outlines and areas; readings may lie in other cells, so classes may follow"
TIMES = "when places were laid: look ages and stops left out, so counts and classes; not where they lie"
STATISTICS = "which readings are kept, so counts, differentials and classes; no position, no zone outline"
CLASSES = "differentials and classes; no position, no zone"
EVERYTHING = "everything: other readings are taken in"

AFFECTS = {
    "lot": NAMES,
    "lot.thickness": STATEMENT,
    "lot.paved_width": STATEMENT,
    "lot.time_zone": "local times and the date of paving; no UTC time, position or class",
    "lot.laydown_target": "classes and zones of rules that judge against the target, and what check says of the level",
    "lot.spread_rate": "tonnage and yield; no position, zone or class",
    "lot.load_length": "profiles by truck load; the rule's own profiles stay",
    "lot.limits": "which part of the logs is the lot: cuts, counts and classes; positions stay bit for bit",
    "files": EVERYTHING,
    "files.alignment": STATIONS_ALL,
    "files.exclusions": STATISTICS,
    "files.diary": "stop reasons, the diary layer, and where mat was relaid the readings that count there",
    "files.weather": "the weather that is reported; nothing else",
    "files.control": "the control layer and its doubts; nothing else",
    "files.tickets": "profiles by truck load, masses, and whether recurring zones lie at load ends",
    "formats": "everything that the log gives: times, places or temperatures are read in another way",
    "format": "everything that the log gives: times, places or temperatures are read in another way",
    "crs": PLACES,
    "crs.accuracy": "whether the run stops; no number",
    "crs.alignment": STATIONS_ALL,
    "rig": PLACES,
    "rig.screed_forward": TIMES,
    "rig.fix_sigma": "position sigmas, and how far single fixes are followed",
    "rig.max_sigma": "which stretches are gaps, and with them coverage and insufficient profiles",
    "rig.clock_offset": "times and positions of every line: everything that stands on them",
    "rig.evidence": STATEMENT,
    "scanner": PLACES,
    "scanners": PLACES,
    "pass": "which lines are a pass: cuts, numbers, start-up and classes; positions stay",
    "change": PLACES,
    "exclude": STATISTICS,
    "mark": "labels and stations only; never positions, cuts or classes (with an alignment marks are checks)",
    "stationing": STATIONS_ALL,
    "stationing.labels": "how stations are written; no number",
    "stationing.mat_offsets": STATEMENT,
    "grid": PICTURES,
    "accept": "whether the run stops; no number",
    "delivery": "units of layers, tables and sentences; the same quantities",
    "delivery.display_low": PICTURES,
    "delivery.display_high": PICTURES,
    "rules": CLASSES,
    "rules.id": NAMES,
    "rules.title": NAMES,
    "rules.note": NAMES,
    "rules.citation": NAMES,
    "rules.sources": NAMES,
    "rules.pay": "the amounts of the user's own table; no class",
    "rules.profile": "cuts and classes; no position, no zone",
    "rules.stop": "stops, the readings left out around them, and classes; speed segments between stops",
    "rules.edge_trim": STATISTICS,
    "rules.window": STATISTICS,
    "rules.zone": "cold zones and the share of cold mat; no class",
    "rules.speed": "names of speed bands; no speed",
}  # fmt: skip
STATIONS = ("start", "station", "at_station", "from", "to")  # keys that are written as labels
PLURAL = {"passes": "pass", "marks": "mark", "changes": "change"}
LONGEST = 60  # letters of a text that is shown
FORMATS = "_format"  # what a format file says, `scan_format` and its kind; `labels` follow from other keys


class KeyChange(NamedTuple):
    """A key of lot.toml, its rule or its formats that has another value: SI as used, None = not stated."""

    key: str
    then: Any
    now: Any
    text: str  # what it was and is
    affects: str


def changes_against(config: LotConfig, before: dict[str, Any], digests: dict[str, str]) -> LotCheck:
    """Compare a lot with a configuration as used, key by key.

    Parameters
    ----------
    before : dict
        Of a result (`used_by`), or `config_as_used` of another lot.
    digests : dict
        Path of each input -> its sha256 then; empty where only keys are compared.

    Returns
    -------
    LotCheck
        An item a key that differs: what it was and is, and what that affects. Never a stop.
    """
    changes = key_changes(before, config_as_used(config), config.labels)
    items = [look(item.key, item.text, f"affects {item.affects}") for item in changes]
    items += [_other_file(path) for path, digest in digests.items() if _differs(config.folder / path, digest)]
    if not items:
        items = [ok("changes", "none: every key is as it was")]
    return LotCheck(in_lot_units(items, config), 0)


def key_changes(
    before: dict[str, Any], after: dict[str, Any], labels: StationLabels, with_formats: bool = False
) -> list[KeyChange]:
    """Compare two configurations as used, key by key, in the order of the keys.

    `with_formats` compares what the format files say too, as keys like `format.scan.decimal`.
    """
    then, now = (_flat(_own_keys(values, with_formats)) for values in (before, after))
    keys = sorted(then.keys() | now.keys())
    return [
        _changed(key, then.get(key), now.get(key), labels) for key in keys if then.get(key) != now.get(key)
    ]


def used_by(result: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """Configuration and digests of the inputs that a result was made with.

    Raises
    ------
    ConfigError
        There is no readable manifest.
    """
    try:
        listed = manifest.read_json(result / manifest.MANIFEST)
        return listed["configuration"], {item["path"]: item["sha256"] for item in listed["inputs"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ConfigError(f"--against {result}: is neither a result nor a lot: {error}") from None


def affected_by(key: str) -> str:
    """Say what a change of a key affects.

    >>> affected_by("grid.map_cell")
    'pictures only; no position, number or class'
    """
    parts = key.split(".")
    known = (".".join(parts[:count]) for count in range(len(parts), 0, -1))
    return next((AFFECTS[name] for name in known if name in AFFECTS), EVERYTHING)


def _own_keys(values: dict[str, Any], with_formats: bool) -> dict[str, Any]:
    own = {
        PLURAL.get(key, key): value
        for key, value in values.items()
        if key != "labels" and not key.endswith(FORMATS)
    }
    formats = {key.removesuffix(FORMATS): value for key, value in values.items() if key.endswith(FORMATS)}
    return own | ({"format": formats} if with_formats else {})


def _flat(value: Any, key: str = "") -> dict[str, Any]:
    """Leaves of nested mappings and lists by dotted key, lists counted from 1; what is not stated is left out."""
    if isinstance(value, dict):
        parts = [_flat(item, f"{key}.{name}" if key else str(name)) for name, item in value.items()]
    elif isinstance(value, list) and any(isinstance(item, dict | list) for item in value):
        parts = [_flat(item, f"{key}.{number}") for number, item in enumerate(value, 1)]
    else:
        return {} if value is None or value == [] else {key: value}
    return {name: item for part in parts for name, item in part.items()}


def _changed(key: str, then: Any, now: Any, labels: StationLabels) -> KeyChange:
    name = _stated(key)
    was, is_ = (
        labels.text(value) if name.rpartition(".")[2] in STATIONS and isinstance(value, float) else value
        for value in (then, now)
    )
    text = tell("was {then}, is {now}", then=_told(key, was), now=_told(key, is_))
    if any(isinstance(value, str) and len(value) > LONGEST for value in (then, now)):
        text = tell("has another text")
    return KeyChange(name, then, now, text, affected_by(name))


def _stated(key: str) -> str:
    """Key as lot.toml states it: without the unit that its text carries there; shares keep theirs."""
    ending = suffix(key)
    return key.removesuffix(f"_{ending}") if ending not in ("", "frac") else key


def _told(key: str, value: Any) -> str:
    if value is None:
        return "not stated"
    if isinstance(value, list):
        return ", ".join(_told(key, item) for item in value)
    ending = suffix(key)
    if ending in ("m", "m2", "c", "delta_c", "mps", "s", "deg") and isinstance(value, int | float):
        return tell("{" + f"now_{ending}" + ":.5g}", **{f"now_{ending}": value + 0.0})  # no -0
    return str(value)


def _other_file(path: str) -> CheckItem:
    return look("files", f"{path} is not the file that the result was made from", f"affects {EVERYTHING}")


def _differs(path: Path, digest: str) -> bool:
    return not path.is_file() or manifest.sha256_of(path) != digest
