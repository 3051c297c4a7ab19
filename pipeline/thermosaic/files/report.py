"""The report of a lot: one page, a card for a phone, waypoints and tables, each with its checker.

The page is one file that asks for nothing: a Content-Security-Policy forbids every request, and its own
scripts run by their hashes only. What it says stands in it without scripts.
"""

from __future__ import annotations

import base64
import hashlib
import html.parser
import re
from functools import cache
from importlib import resources
from pathlib import Path

import jinja2
from markupsafe import Markup

from . import csv_tables, gpx
from .review import review_picture
from .sheets.card import write_card
from .sheets.lot_sheet import LotSheet, read_sheet
from .sheets.page import context
from .sheets.words import Words
from .sheets.worked import check_worked, work

PAGE, CARD, PLACES = "report.html", "card.png", "places.gpx"
ROLES = {PAGE: "report", CARD: "card", PLACES: "places"}
SCRIPTS, STYLES = ("leaflet-1.9.4.js", "report.js"), ("leaflet-1.9.4.css", "report.css")
MOST_BYTES = {PAGE: 5_000_000, CARD: 300_000}
LICENCE = "leaflet-1.9.4-LICENSE.txt"


def make_report(result: Path, out: Path, lang: str = "en") -> tuple[list[Path], list[str]]:
    """Write report.html, card.png, places.gpx and tables/*.csv about a result folder, and read them back.

    Parameters
    ----------
    result : Path
        Folder with lot.gpkg, spots.parquet, tiles, mat.tif, quality.json and manifest.json; read once.
    out : Path
        Folder to write into; made where it is missing. It may be `result`.
    lang : str
        Language of the card, the page's first part and the cautions: en or es.

    Returns
    -------
    list of Path
        Every file written, in a fixed order.
    list of str
        What is wrong with them; nothing if all is well.

    Raises
    ------
    ConfigError
        There is no such language.
    ProductError
        The result cannot be read.
    """
    sheet, words = read_sheet(result), Words(lang)
    return write_report(sheet, out, words), check_report(sheet, out)


def write_report(sheet: LotSheet, out: Path, words: Words) -> list[Path]:
    """Write every file of a report into a folder, which is made where it is missing."""
    out.mkdir(parents=True, exist_ok=True)
    (out / PAGE).write_text(page_text(sheet, words), encoding="utf-8")
    write_card(out / CARD, sheet, words)
    gpx.write_gpx(out / PLACES, sheet, words.cautions(sheet)[-1])
    return [out / PAGE, out / CARD, out / PLACES, *csv_tables.write_tables(sheet.layers, out)]


def page_text(sheet: LotSheet, words: Words) -> str:
    """Write the page; every text from the result is escaped where it is put in."""
    scripts, styles = [_part(name) for name in SCRIPTS], [_part(name) for name in STYLES]
    policy = (
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
        f"script-src {' '.join(_hash(text) for text in scripts)}; base-uri 'none'; form-action 'none'"
    )
    return _template().render(
        **context(sheet, words, work(sheet)),
        policy=policy,
        scripts=[Markup(text) for text in scripts],
        styles=[Markup(text) for text in styles],
        licence=_part(LICENCE),
    )


@cache
def _template() -> jinja2.Template:
    """Compile the page's template once a process."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_part),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html.jinja")


def _part(name: str) -> str:
    return (resources.files("thermosaic.files") / "templates" / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """The CSP source of an inline script: base64 of its SHA-256."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


# ------------------------------------------------------------------------------------------- the checker

REFERENCES = {
    "src",
    "href",
    "xlink:href",
    "action",
    "data",
    "poster",
    "srcset",
    "background",
    "formaction",
    "ping",
}


class _Reader(html.parser.HTMLParser):
    """Collect what a page refers to, its policy, and its identifiers."""

    def __init__(self) -> None:
        super().__init__()
        self.references: list[str] = []
        self.policies: list[str] = []
        self.ids: set[str] = set()
        self.styles: list[str] = []
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        fact = dict(attrs)
        self._in_style = tag == "style"
        self.references += [value or "" for name, value in attrs if name in REFERENCES]
        self.styles += [fact["style"] or ""] if "style" in fact else []
        self.ids.update([fact["id"]] if fact.get("id") else [])
        if tag == "meta" and (fact.get("http-equiv") or "").lower() == "content-security-policy":
            self.policies.append(fact.get("content") or "")

    def foreign(self) -> list[str]:
        """Give references that lead out of the page, or to a place it has not."""
        style = "\n".join(self.styles)
        out = [ref for ref in self.references if not ref.startswith(("#", "data:image/"))]
        out += re.findall(r"url\(\s*['\"]?(?!#|data:image/)[^)]*\)|@import[^;]*", style)
        return out + [ref for ref in self.references if ref.startswith("#") and ref[1:] not in self.ids]

    def handle_endtag(self, tag: str) -> None:
        self._in_style = False

    def handle_data(self, data: str) -> None:
        if self._in_style:
            self.styles.append(data)


def foreign_references(page: str) -> list[str]:
    """References of a page to anything outside itself, and to places it has not: none is allowed."""
    return _read(page).foreign()


def _read(page: str) -> _Reader:
    reader = _Reader()
    reader.feed(page)
    return reader


def check_report(sheet: LotSheet, out: Path) -> list[str]:
    """Read every file of a report back; return what is wrong, nothing if all is well."""
    try:
        page = (out / PAGE).read_text(encoding="utf-8")
        card = (out / CARD).read_bytes()
    except (OSError, ValueError) as error:
        return [f"the report cannot be read: {error}"]
    reader = _read(page)
    found = _check_closed(reader)
    found += [] if card.startswith(b"\x89PNG\r\n\x1a\n") else [f"{CARD}: is no PNG"]
    for name, most in MOST_BYTES.items():
        size = (out / name).stat().st_size
        found += [f"{name}: has {size:,} bytes, more than {most:,}"] if size > most and name == CARD else []
    worked = work(sheet)
    found += check_worked(worked) if worked is not None else []
    found += _check_rows(reader, sheet)
    return found + gpx.check_gpx(out / PLACES, sheet) + csv_tables.check_tables(sheet.layers, out)


def _check_closed(reader: _Reader) -> list[str]:
    """The page asks for nothing, and its policy forbids it to."""
    found = [f"{PAGE}: refers to {text[:80]}" for text in reader.foreign()]
    if len(reader.policies) != 1 or not reader.policies[0].startswith("default-src 'none';"):
        found.append(f"{PAGE}: has no Content-Security-Policy that forbids every request")
    return found


def review_report(folder: Path) -> list[str]:
    """Review page and card of a published folder by themselves; return what is wrong, nothing if all is well."""
    if not (folder / PAGE).is_file():
        return []
    try:
        page = (folder / PAGE).read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        return [f"{PAGE}: cannot be read: {error}"]
    return _check_closed(_read(page)) + review_picture(folder / CARD)


def _check_rows(reader: _Reader, sheet: LotSheet) -> list[str]:
    """Every profile, zone, stop and gap has its row on the page."""
    meant = {f"profile-{n}" for n in sheet.frames["profiles"]["profile_id"]}
    meant |= {f"zone-{n}" for n in sheet.frames["cold_zones"]["zone_id"]}
    meant |= {f"stop-{n}" for n in sheet.frames["stops"]["stop_id"]}
    meant |= {f"gap-{n + 1}" for n in range(len(sheet.frames["gaps"]))}
    return [f"{PAGE}: has no row {name}" for name in sorted(meant - reader.ids)]
