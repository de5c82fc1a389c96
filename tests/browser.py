"""Debian's Chromium driven by Playwright: what a page does, says and asks for."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from playwright.sync_api import Browser, Page, sync_playwright

__all__ = ["CHROMIUM", "Visit", "chromium", "visit"]

CHROMIUM = Path("/usr/bin/chromium")
_ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@contextmanager
def chromium() -> Iterator[Browser]:
    """One headless browser."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(_ARGUMENTS))
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Visit:
    """An open page, with all that it complained of and all that it asked for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    addresses: list[str] = field(default_factory=list)

    def foreign(self, origin: str) -> list[str]:
        """Requests that went to another place than `origin`."""
        wanted = urlsplit(origin).netloc
        return [
            a for a in self.addresses if urlsplit(a).scheme not in ("data", "blob") and urlsplit(a).netloc != wanted
        ]

    def overflow_px(self) -> int:
        """By how much the page is wider than its window."""
        return int(self.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))

    def draw_all(self) -> int:
        """Scroll through the page until every chart is drawn; how many there are."""
        plots = self.page.locator(".plot")
        for i in range(plots.count()):
            plots.nth(i).scroll_into_view_if_needed()
            plots.nth(i).locator("svg.main-svg").first.wait_for(state="attached")
        self.page.wait_for_function("[...document.querySelectorAll('.plot')].every(p => p.dataset.drawn)")
        return plots.count()


@contextmanager
def visit(browser: Browser, address: str, *, width: int, height: int = 820, **options: Any) -> Iterator[Visit]:
    """Open an address in a window of its own; a refused style or script counts as a complaint."""
    context = browser.new_context(viewport={"width": width, "height": height}, **options)
    found = Visit(context.new_page())
    found.page.on("console", lambda message: _note(found, message.type, message.text))
    found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
    found.page.on("request", lambda request: found.addresses.append(request.url))
    try:
        found.page.goto(address, wait_until="load")
        yield found
    finally:
        context.close()


def _note(found: Visit, kind: str, text: str) -> None:
    if kind in ("error", "warning"):
        found.complaints.append(f"{kind}: {text}")
