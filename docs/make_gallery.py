"""Pictures of the page, from the demonstration set: `python docs/make_gallery.py` writes docs/pictures/page-*.png.

Needs Chromium and pdftoppm (Debian: `apt-get install chromium poppler-utils`). Nothing is fetched from a network.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "docs" / "pictures"
sys.path.insert(0, str(ROOT))

from tests.cli.browser import Browser, Page  # noqa: E402

_TRACK, _SQUEAL = "t4", "t6"  # the squashed master, the feedback
_SCALE = 0.7  # of the wide pictures of a track, for the size of the files
_PRINT_DPI = 75


def demo_page(folder: Path) -> Path:
    """The page of the demonstration set."""
    path = folder / "report.html"
    command = [sys.executable, "-m", "auditor", "demo", "--format", "html", "--fail-on", "never", "-o", str(path)]
    subprocess.run(command, check=True, cwd=ROOT)
    return path


def settle(page: Page, *selectors: str) -> None:
    """Have plots drawn, then go back to the top."""
    for selector in selectors:
        page.evaluate(f"document.querySelector('{selector}').scrollIntoView()")
        page.wait(f"document.querySelector('{selector} .main-svg') !== null")
    page.evaluate("document.fonts.ready.then(() => scrollTo(0, 0))")
    page.wait("document.querySelector('.heatmaplayer image') !== null")


def top_of(page: Page, selector: str) -> int:
    """How far down the page an element starts [CSS px]."""
    return round(page.evaluate(f"document.querySelector('{selector}').getBoundingClientRect().top + scrollY"))


def shoot(browser: Browser, path: Path, *, width: int, name: str, dark: bool = False) -> None:
    """The overview, and the track at risk, in a window of this width."""
    page = browser.open(path, width=width, height=900, dark=dark)
    settle(page, f"#{_TRACK} .timeline", f"#{_TRACK} .octaves")
    page.screenshot(PICTURES / f"{name}.png", most_height=top_of(page, "#tracks") - 20)
    start = top_of(page, f"#{_TRACK}") - 8
    end = top_of(page, f"#{_TRACK} .wide")
    page.screenshot(
        PICTURES / f"{name}-track.png", top=start, most_height=end - start, scale=1.0 if width < 500 else _SCALE
    )
    page.close()


def shoot_passage(browser: Browser, path: Path) -> None:
    """A flagged passage, pressed."""
    page = browser.open(path, width=1280, height=900)
    page.evaluate(f"document.querySelector('#{_SQUEAL}').open = true")
    settle(page, f"#{_SQUEAL} .timeline")
    page.click_on(f"#{_SQUEAL} .passages li:nth-child(1) .passage")
    start = top_of(page, f"#{_SQUEAL} .tools") - 4
    end = top_of(page, f"#{_SQUEAL} .passages + *")
    page.screenshot(PICTURES / "page-passage.png", top=start, most_height=end - start, scale=_SCALE)
    page.close()


def print_a4(browser: Browser, path: Path, folder: Path) -> None:
    """The sheets of the print with the overview and the track."""
    page = browser.open(path, width=1280, height=900)
    page.pdf(folder / "report.pdf")
    page.close()
    command = ["pdftoppm", "-r", str(_PRINT_DPI), "-png", "-f", "1", "-l", "3", "report.pdf", "sheet"]
    subprocess.run(command, check=True, cwd=folder)
    for number, sheet in enumerate(sorted(folder.glob("sheet-*.png")), start=1):
        (PICTURES / f"page-a4-{number}.png").write_bytes(sheet.read_bytes())


def main() -> None:
    """All pictures."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name, Browser() as browser:
        folder = Path(name)
        path = demo_page(folder)
        shoot(browser, path, width=1280, name="page-1280")
        shoot(browser, path, width=1280, name="page-1280-dark", dark=True)
        shoot(browser, path, width=360, name="page-360")
        shoot_passage(browser, path)
        print_a4(browser, path, folder)
    for picture in sorted(PICTURES.glob("page-*.png")):
        print(picture, file=sys.stderr)


if __name__ == "__main__":
    main()
