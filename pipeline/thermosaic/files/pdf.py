"""report.pdf: the page as a browser prints it, by a program that is installed, else a plain refusal.

Chromium (headless) or WeasyPrint; neither comes with this program. A PDF carries its own date, so it is no
product of a run.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from importlib.util import find_spec
from pathlib import Path

from ..errors import ProductError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
SECONDS = 180
_DATE = re.compile(rb"(/(?:CreationDate|ModDate) \(D:)[0-9]{14}")


def write_pdf(page: Path) -> Path:
    """Print a page beside itself as .pdf.

    Raises
    ------
    ProductError
        Nothing that prints is installed, or it failed.
    """
    path = page.with_suffix(".pdf")
    path.unlink(missing_ok=True)
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is not None:
        _print_with_browser(browser, page, path)
    elif find_spec("weasyprint") is not None:
        import weasyprint

        weasyprint.HTML(filename=str(page)).write_pdf(str(path))
    else:
        raise ProductError(
            f"{path}: nothing that prints a page is installed: install Chromium or WeasyPrint, or print "
            f"{page.name} from any browser; report.html and the other files are written"
        )
    if not path.is_file() or not path.read_bytes().startswith(b"%PDF-"):
        raise ProductError(
            f"{path}: no PDF was made by {browser or 'WeasyPrint'}; print {page.name} from any browser"
        )
    return path


def set_date(path: Path, stamp: str) -> None:
    """Write an ISO 8601 UTC time over the dates that a PDF carries of its making, so that its bytes stay.

    >>> _DATE.sub(rb"\\g<1>20260514203000", b"/CreationDate (D:20991231235959+00'00')")
    b"/CreationDate (D:20260514203000+00'00')"
    """
    digits = stamp[:19].translate(str.maketrans("", "", "-T:"))
    path.write_bytes(_DATE.sub(rb"\g<1>" + digits.encode(), path.read_bytes()))


def _print_with_browser(browser: str, page: Path, path: Path) -> None:
    """Run a headless browser offline on a profile of its own; the sandbox is off only where root runs it."""
    with tempfile.TemporaryDirectory(prefix="thermosaic-print-") as profile:
        command = [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-extensions",
            "--no-pdf-header-footer", f"--user-data-dir={profile}", f"--print-to-pdf={path.resolve()}",
            page.resolve().as_uri(),
        ]  # fmt: skip
        try:
            subprocess.run(command, check=False, capture_output=True, timeout=SECONDS)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise ProductError(f"{path}: {browser} could not print: {error}") from error
