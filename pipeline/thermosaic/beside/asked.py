"""Questions asked of a result: where a number comes from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from ..config import LotConfig
from ..errors import ConfigError
from ..files.logs.reading import read_fixes, read_scan
from ..files.manifest import sha256_of
from ..opening import load_config
from ..results import explain_result, open_result
from ..stages.s1_ingest import join_scanners, scan_log
from ..studies.explain.logs import Logs, log_step
from ..studies.explain.steps import Explanation


def explain(
    result: Path,
    lot: Path | None = None,
    profile: int | None = None,
    zone: int | None = None,
    at: str | None = None,
    pass_id: str | None = None,
    weather: tuple[float, float, str] | None = None,
) -> Explanation:
    """Explain a number of a result, and where the lot is at hand, down to its logs.

    `weather` is air in degC, wind in m/s and a word for the sky, where none was read on site.

    Raises
    ------
    ConfigError, ProductError
        As `explain_result`; the lot is another one.
    """
    found = explain_result(result, profile=profile, zone=zone, at=at, pass_id=pass_id, weather=weather)
    if lot is None:
        return found
    opened, config = open_result(result), load_config(lot)
    if config.lot.id != found.lot_id:
        raise ConfigError(
            f"{lot}: is lot {config.lot.id}, the result is of lot {found.lot_id}: give its own lot"
        )
    rows, _ = read_scan(config.files.scan, config.scan_format, sets=config.clock_sets)
    temp_c = join_scanners(scan_log(rows, config), config)[0].temp_c if config.scanners else rows.temp_c
    fixes, _, _ = read_fixes(config.files.fixes, config.fixes_format, config.crs.fixes)
    clock_s = opened.quality["clock"]["offset_s"]
    logs = Logs(rows.line, rows.time_utc, temp_c, fixes, clock_s, _digests(config, opened.manifest["inputs"]))
    try:
        return replace(found, steps=(*found.steps, log_step(found.looked_at, logs)))
    except ValueError as error:
        raise ConfigError(f"{lot}: {error}") from None


def _digests(config: LotConfig, inputs: list[dict[str, Any]]) -> tuple[tuple[str, str, str], ...]:
    """Path, digest now, and digest when the result was made, of the logs of scan and fixes."""
    return tuple(
        (item["path"], sha256_of(config.folder / item["path"]), item["sha256"])
        for item in inputs
        if item["role"] in ("scan", "fixes") and (config.folder / item["path"]).is_file()
    )
