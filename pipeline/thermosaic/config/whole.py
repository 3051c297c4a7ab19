"""All that one lot states: lot.toml as written, and the configuration that a run takes."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import Discriminator, Field, Tag

from ..delivery import Reader
from ..units import StationLabels
from .changes import ChangeSection, ClockSets, SetUp, clock_sets, set_ups
from .formats import LogFormat
from .lot import (
    AcceptSection,
    CrsSection,
    DeliverySection,
    FilesSection,
    FormatsSection,
    GridSection,
    LotSection,
    RulesSection,
)
from .rig import RigSection, ScannerPart, ScannerSection
from .rules import RuleProfile
from .section import Section
from .stationing import ExcludeSection, MarkSection, PassSection, StationingSection, StationPlan


class LotStatement(Section):
    """What lot.toml states, apart from the rules."""

    lot: LotSection
    files: FilesSection
    formats: FormatsSection
    crs: CrsSection
    rig: RigSection
    scanner: ScannerSection
    passes: tuple[PassSection, ...] = Field(
        default=(), alias="pass", description="Paver passes; without any there is one"
    )
    exclude: tuple[ExcludeSection, ...] = Field(default=(), description="Stretches that the rule leaves out")
    changes: tuple[ChangeSection, ...] = Field(
        default=(),
        alias="change",
        description="Changes of the rig or the mat's edges within the lot, in order",
    )
    marks: tuple[MarkSection, ...] = Field(default=(), alias="mark", description="Stations from the ground")
    stationing: StationingSection = StationingSection()
    grid: GridSection = GridSection()
    accept: AcceptSection = AcceptSection()
    delivery: DeliverySection = DeliverySection()


def _scanner_kind(value: Any) -> str:
    return "several" if isinstance(value, tuple | list) else "one"


class LotFile(LotStatement):
    """lot.toml as the user writes it."""

    scanner: Annotated[  # type: ignore[assignment]
        Annotated[ScannerSection, Tag("one")] | Annotated[tuple[ScannerPart, ...], Tag("several")],
        Discriminator(_scanner_kind),
    ]
    rules: RulesSection


class LotConfig(LotStatement):
    """Everything one lot states, loaded: paths absolute, formats and rules resolved, passes in time."""

    scanners: tuple[ScannerPart, ...] = ()  # several; `scanner` stands for all, `files.scan` is the first's
    rules: RuleProfile
    scan_format: LogFormat
    fixes_format: LogFormat
    wheel_format: LogFormat | None = None
    diary_format: LogFormat | None = None
    weather_format: LogFormat | None = None
    control_format: LogFormat | None = None
    tickets_format: LogFormat | None = None
    labels: StationLabels
    folder: Path
    source_text: str  # lot.toml as read, for the manifest

    @property
    def reader(self) -> Reader:
        """Units and foot in which sentences about this lot are written."""
        return Reader(self.delivery.units, self.labels.foot_m)

    @property
    def later(self) -> tuple[SetUp, ...]:
        """Set-ups after the first, in order of time; none without a [[change]]."""
        return set_ups(self.rig, self.scanner, self.changes)[1:]

    @property
    def clock_sets(self) -> ClockSets:
        """When the logger's clock was set, as the readers of its logs take it."""
        return clock_sets(self.rig, self.later)

    def within(self, first: datetime, last: datetime) -> LotConfig:
        """Return the same lot for a part of its logs: earlier changes are in force, later ones are not there.

        Logs that were read are on the clock of their beginning, so its offset stays.
        """
        ups = set_ups(self.rig, self.scanner, self.changes)
        held = [item for item in ups if item.at is None or item.at <= first]
        changes = tuple(item for item in self.changes if item.at is not None and first < item.at <= last)
        rig = held[-1].rig.model_copy(update={"clock_offset_s": self.rig.clock_offset_s})
        return self.model_copy(update={"rig": rig, "scanner": held[-1].scanner, "changes": changes})

    @property
    def station_plan(self) -> StationPlan:
        """What the stationing stage takes, gathered from the sections."""
        return StationPlan(
            direction=self.stationing.direction,
            marks=self.marks,
            limits=self.lot.limits,
            labels=self.labels,
            screed_forward_m=self.rig.screed_forward_m,
            antenna_forward_m=self.rig.antenna_forward_m,
            antenna_right_m=self.rig.antenna_right_m,
            mat_offsets_m=self.stationing.mat_offsets_m,
            later=self.later,
            alignment_distance_m=self.accept.alignment_distance_m,
            wheel_gnss_frac=self.accept.wheel_gnss_frac,
        )


def config_as_used(config: LotConfig) -> dict[str, Any]:
    """Return a configuration in SI as plain values, for a manifest: no absolute path, times in UTC.

    The text of lot.toml and its folder are left out; every other value in effect is there, in fixed order.
    """
    dumped = config.model_dump(exclude={"folder", "source_text", "labels"})
    return _as_plain(dumped | {"labels": asdict(config.labels)}, config.folder)


def _as_plain(value: Any, folder: Path) -> Any:
    """Turn tuples, paths and times into what JSON knows."""
    if isinstance(value, dict):
        return {
            "from" if key == "from_" else str(key): _as_plain(item, folder) for key, item in value.items()
        }
    if isinstance(value, tuple | list):
        return [_as_plain(item, folder) for item in value]
    if isinstance(value, Path):
        return value.relative_to(folder).as_posix()
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return value
