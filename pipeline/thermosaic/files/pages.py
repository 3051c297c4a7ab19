"""Pages beside the report: their templates, and what every one of them is held to."""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path

import jinja2

from .report import foreign_references


@cache
def template(name: str) -> jinja2.Template:
    """Load a template of `files/templates`: values are escaped, a name that is missing is an error."""
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_part), autoescape=True, undefined=jinja2.StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template(name)


def _part(name: str) -> str:
    return (resources.files("thermosaic.files") / "templates" / name).read_text(encoding="utf-8")


def check_page(path: Path, links: tuple[str, ...] = ()) -> list[str]:
    """Read a page back; return what is wrong: a reference outside that is none of `links`, or no policy."""
    text = path.read_text(encoding="utf-8")
    found = [f"{path.name}: refers to {item[:80]}" for item in foreign_references(text) if item not in links]
    return found + ([] if "default-src 'none'" in text else [f"{path.name}: has no Content-Security-Policy"])
