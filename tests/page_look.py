"""A published page as axe-core sees it in the system's Chromium, offline."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest


def assert_no_fault(page_file: Path, **look: object) -> None:
    """Hold a page against all rules of axe-core under a look of the browser, where nothing may stick out.

    Skipped, with the reason, where browser, driver or rules are not installed.
    """
    axe = pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("no Chromium is installed")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_context(offline=True, bypass_csp=True, **look).new_page()
        page.goto(page_file.resolve().as_uri())
        page.evaluate((Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8"))
        found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
        assert len(found["passes"]) > 20
        assert [(fault["id"], fault["nodes"][0]["html"]) for fault in found["violations"]] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
        browser.close()
