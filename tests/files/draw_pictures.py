"""Draw the README's pictures anew from the demonstration: `python tests/files/draw_pictures.py DEMO_RESULT`.

DEMO_RESULT is the folder of `thermosaic demo -o DEMO_RESULT`. Needs Chromium, Playwright, poppler's pdftoppm
and QGIS with its Python bindings. Writes into demo_project/; each picture stays under 120 KB.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

from thermosaic.beside import plot_cooling, plot_loads
from thermosaic.beside.comparing import compare
from thermosaic.results import plot_result
from thermosaic.units import parse_quantity

HERE = Path(__file__).resolve().parent
OUT = HERE.parent.parent / "demo_project"
MOST_BYTES, PHONE_WIDE = 120_000, 375
DRAWN_AT_ONCE = "main section, main figure { content-visibility: visible !important }"


@contextmanager
def opened(browser: Any, path: Path, **context: Any) -> Iterator[Any]:
    """Open a page, everything laid out, so that a picture of a part shows this part."""
    page = browser.new_context(offline=True, **context).new_page()
    page.goto(path.resolve().as_uri())
    page.add_style_tag(content=DRAWN_AT_ONCE)
    yield page
    page.context.close()


def draw_page(report: Path, folder: Path) -> None:
    """Draw the page on a desk, on a phone, in the dark, printed, and its strip sheet and plan."""
    desk = {"viewport": {"width": 1180, "height": 880}}
    phone = {"viewport": {"width": PHONE_WIDE, "height": 812}, "device_scale_factor": 2}
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        with opened(browser, report, **desk) as page:
            page.locator("section.sheets figure").nth(1).screenshot(path=folder / "strip.png")
            page.pdf(path=folder / "page.pdf", prefer_css_page_size=True)
        with opened(browser, report, **desk) as page:
            page.locator("#plan").evaluate("figure => { figure.style.display = 'block'; }")
            page.locator("#plan").screenshot(path=folder / "plan.png")
        with opened(browser, report, **phone) as page:
            page.locator("section.first").evaluate("part => part.scrollIntoView()")
            page.screenshot(path=folder / "phone.png")
        with opened(browser, report, color_scheme="dark", **desk) as page:
            page.screenshot(path=folder / "dark.png")
        browser.close()
    subprocess.run(
        [
            "pdftoppm",
            "-r",
            "80",
            "-f",
            "1",
            "-l",
            "1",
            "-singlefile",
            "-png",
            folder / "page.pdf",
            folder / "page",
        ],
        check=True,
    )


def draw_comparison(lower: Path, upper: Path, folder: Path) -> None:
    """Draw both lifts on one axis of stations, as the page of their comparison shows them."""
    compare((lower, upper), folder / "compared")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        with opened(
            browser, folder / "compared" / "compare.html", viewport={"width": 1180, "height": 880}
        ) as page:
            page.locator(".sheet").first.screenshot(path=folder / "compare.png")
        browser.close()


def draw_map(result: Path, folder: Path) -> None:
    """Draw the project in QGIS over white and over a dark ground, as an aerial picture is."""
    surroundings = {name: text for name, text in os.environ.items() if not name.startswith("PYTHON")}
    subprocess.run(
        ["/usr/bin/python3", HERE / "open_project_in_qgis.py", result, folder], check=True,
        env={**surroundings, "QT_QPA_PLATFORM": "offscreen"}, capture_output=True,
    )  # fmt: skip
    (folder / "white.png").rename(folder / "qgis.png")
    (folder / "dark.png").rename(folder / "qgis_dark.png")


def write_small(source: Path, target: Path) -> None:
    """Write a picture with few enough colours and pixels."""
    image = Image.open(source).convert("RGB")
    for colours in (256, 128, 64, 32):
        image.quantize(colours, dither=Image.Dither.NONE).save(target, "PNG", optimize=True)
        if target.stat().st_size < MOST_BYTES:
            return
    raise SystemExit(f"{target.name}: {target.stat().st_size} bytes with 32 colours: draw less")


def main(demo: Path) -> None:
    """Draw all of them."""
    lower, upper = sorted(path for path in demo.iterdir() if (path / "report.html").is_file())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        draw_map(upper, folder)
        draw_page(upper / "report.html", folder)
        draw_comparison(lower, upper, folder)
        plot_result(lower, "layers", folder / "layers.png")
        plot_cooling(lower, folder / "cooling.png")
        plot_loads(lower, folder / "loads.png", parse_quantity("24 ton", "mass"))
        card = Image.open(upper / "card.png").convert("RGB")
        card.resize((card.width // 2, card.height // 2), Image.Resampling.LANCZOS).save(folder / "card.png")
        for picture in (
            "layers",
            "strip",
            "plan",
            "page",
            "phone",
            "dark",
            "card",
            "qgis",
            "qgis_dark",
            "compare",
            "cooling",
            "loads",
        ):
            write_small(folder / f"{picture}.png", OUT / f"{picture}.png")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
