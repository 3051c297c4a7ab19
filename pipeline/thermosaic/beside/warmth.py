"""How long the mat of a result stays warm, and whether cold comes back at the length of a load."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from ..delivery import Reader, in_units
from ..errors import ConfigError
from ..published import Published
from ..results import published_result
from ..studies.cooling import CESSATION_C, Cooling, conditions_of
from ..studies.cooling import cooling as estimate_cooling
from ..studies.load_cycles import LoadCycles, study_loads


def cooling(
    result: Path,
    *,
    weather: tuple[float, float, str] | None = None,
    base_c: float | None = None,
    cessation_c: float = CESSATION_C,
) -> Cooling:
    """Estimate how long the mat of every profile and cold zone stays above a temperature after it was laid.

    Parameters
    ----------
    weather : air in degC, wind in m/s, a word for the sky; optional
        Holds for the whole lot, in place of what was read on site.
    base_c : float, optional
        Temperature of what the mat was laid on; else as the air, within a range.
    cessation_c : float
        To fall to, as the mean through the mat and half way down.

    Raises
    ------
    ConfigError
        No weather was read or stated, or nothing was laid near in time to a reading.
    ProductError
        The result is not whole.
    """
    return _cooled(published_result(result)[1], result, weather, base_c, cessation_c)


def _cooled(
    published: Published,
    result: Path,
    weather: tuple[float, float, str] | None,
    base_c: float | None,
    cessation_c: float,
) -> Cooling:
    found = estimate_cooling(published, conditions_of(published, weather, base_c, cessation_c))
    if found.profiles.empty:
        raise ConfigError(f"{result}: holds no profile: no reading of the lot has a position")
    if not (found.profiles["moment"] >= 0).any():
        raise ConfigError(
            f"{result}: holds no weather (air and wind) within an hour of its mat, and nothing is invented: state it, "
            'like --weather "64 degF, 7 mph, clear", or name a weather file in [files] weather and run the lot again'
        )
    return found


def plot_cooling(
    result: Path,
    file: Path,
    *,
    weather: tuple[float, float, str] | None = None,
    base_c: float | None = None,
    cessation_c: float = CESSATION_C,
) -> Path:
    """Draw how long the mat stays warm, as .png or .svg; arguments and errors as `cooling`."""
    from ..files.plots import save_picture
    from ..files.sheets.cooling_sheet import draw_cooling
    from .study_sheets import cooling_sheet

    sheet, published = published_result(result)
    drawn = cooling_sheet(sheet, _cooled(published, result, weather, base_c, cessation_c))
    return save_picture(file, drawn.size_in, lambda figure: draw_cooling(figure, drawn))


def load_cycles(result: Path, load_kg: float | None = None) -> LoadCycles:
    """Ask whether cold bands come back along each pass, and what mass of mix that distance holds.

    What is said is written in the units of the result's delivery; numbers are SI.

    Parameters
    ----------
    load_kg : float, optional
        Mass of a truck load, to be held against the period.

    Raises
    ------
    ConfigError, ProductError
        `result` is no folder, or not whole.
    """
    sheet, published = published_result(result)
    found = study_loads(published, load_kg)
    reader = Reader(sheet.measures.delivery, sheet.measures.foot_m)
    told = {name: tuple(in_units(text, *reader) for text in texts) for name, texts in found.sentences.items()}
    return replace(found, sentences=told)


def plot_loads(result: Path, file: Path, load_kg: float | None = None) -> Path:
    """Draw what comes back along each pass, as .png or .svg; arguments and errors as `load_cycles`."""
    from ..files.plots import save_picture
    from ..files.sheets.loads_sheet import draw_loads
    from .study_sheets import loads_sheet

    sheet, published = published_result(result)
    drawn = loads_sheet(sheet, study_loads(published, load_kg))
    if not drawn.passes:
        raise ConfigError(f"{result}: holds no mat to draw: no reading of the lot has a position")
    return save_picture(file, drawn.size_in, lambda figure: draw_loads(figure, drawn))
