"""
The pages of the running program, in a real browser, on a desk and on a phone.

`HEATLEDGER_PICTURES=1 pytest tests/test_pages_in_browser.py` also saves the README's pictures to dashboards/pictures.
"""

import os
import re
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

import dashboards
from tests.browser import CHROMIUM, Visit, chromium, visit

pytestmark = [
    pytest.mark.skipif(not CHROMIUM.exists(), reason="Chromium is not installed (Debian package chromium)"),
]

PHONE, DESK = 390, 1280
PAGES = ("fleet", "site", "alert", "home", "period", "compare")
_WITHOUT_CHARTS = ("fleet", "period", "compare")
_IS_PICTURED = bool(os.environ.get("HEATLEDGER_PICTURES"))
_FLEET = ("--houses", "8", "--days", "30") if _IS_PICTURED else ("--houses", "3", "--days", "5")
_PICTURES = Path(dashboards.__file__).parent / "pictures"
_UP_WITHIN_S = 300.0  # half a minute on two idle cores; a test run keeps them busy


class Program:
    """`heatledger demo` with a few houses, as a process of its own."""

    def __init__(self, folder: Path) -> None:
        program = Path(sys.executable).with_name("heatledger")
        command = [program, "demo", *_FLEET, "--port", "0", "--data", folder]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)

    def __enter__(self) -> str:
        try:
            return self._address()
        except BaseException:
            self.__exit__()
            raise

    def __exit__(self, *ended: object) -> None:
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.communicate(timeout=30)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()

    def _address(self) -> str:
        """The address that the program prints once it is up."""
        said, found, deadline = b"", None, time.monotonic() + _UP_WITHIN_S
        out = self._process.stdout
        assert out is not None
        with selectors.DefaultSelector() as ready:
            ready.register(out, selectors.EVENT_READ)
            while time.monotonic() < deadline and ready.select(deadline - time.monotonic()):
                piece = os.read(out.fileno(), 65536)
                said += piece
                found = re.search(rb"http://[\w.:\[\]]+:\d+", said)
                if found or not piece:
                    break
        assert found, f"no address was printed; the program said: {said.decode(errors='replace')}"
        return found[0].decode()


@pytest.fixture(scope="module")
def origin(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with Program(tmp_path_factory.mktemp("demo") / "data") as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def addresses(browser: Browser, origin: str) -> dict[str, str]:
    """Each kind of page by a real address; the house is the one whose collector pump has died."""
    with visit(browser, f"{origin}/", width=DESK) as fleet:
        house = fleet.page.locator(".calling > li", has_text="Quarry Road 3")
        site = house.locator("h3 a").get_attribute("href")
        alert = house.locator(".what a").get_attribute("href")
    last, before = (datetime.now(UTC).date() - timedelta(days=n) for n in (1, 2))
    return {
        "fleet": f"{origin}/",
        "site": f"{origin}{site}",
        "alert": f"{origin}{alert}",
        "home": f"{origin}{site}/home",
        "period": f"{origin}{site}/periods?by=all",
        "compare": f"{origin}{site}/compare?earlier={before}&later={last}",
    }


def _keep_pictures(shown: Visit, name: str, width: int) -> None:
    if not _IS_PICTURED:
        return
    _PICTURES.mkdir(exist_ok=True)
    _keep_picture(shown, f"{name}-{width}", top="body")


def _keep_picture(shown: Visit, name: str, *, top: str) -> None:
    shown.page.evaluate("top => document.querySelector(top).scrollIntoView({behavior: 'instant'})", top)
    shown.page.screenshot(path=_PICTURES / f"{name}.png", animations="disabled")


@pytest.mark.parametrize("width", [PHONE, DESK])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_whole_quiet_and_fits_its_window(
    browser: Browser, origin: str, addresses: dict[str, str], name: str, width: int
) -> None:
    with visit(browser, addresses[name], width=width) as shown:
        n_charts = shown.draw_all()
        assert (n_charts > 0) == (name not in _WITHOUT_CHARTS)
        assert shown.complaints == []
        assert shown.foreign(origin) == []
        assert shown.overflow_px() == 0
        assert shown.page.locator("h1").inner_text().endswith((".", "?"))
        _keep_pictures(shown, name, width)


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_the_day_before_is_one_step_away(browser: Browser, addresses: dict[str, str], width: int) -> None:
    with visit(browser, addresses["site"], width=width) as shown:
        shown.page.locator("a[rel=prev]").click()
        shown.page.wait_for_url("**day=*")
        assert shown.page.locator("#account").inner_text() == "Yesterday"
        assert shown.draw_all() >= 10
        if _IS_PICTURED:
            _keep_picture(shown, f"day-{width}", top="#course")
            _keep_picture(shown, f"history-{width}", top="#history")


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_who_asks_for_more_days_finds_them_on_the_screen(
    browser: Browser, addresses: dict[str, str], width: int
) -> None:
    with visit(browser, addresses["site"], width=width) as shown:
        shown.page.locator("a", has_text="60 days").click()
        shown.page.wait_for_url("**span=60**")
        shown.page.locator("#history + nav + .chart .plot[data-drawn]").wait_for()
        expect(shown.page.locator("#history")).to_be_in_viewport()


def test_charts_fill_the_width_of_a_phone_and_no_more(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["site"], width=PHONE) as shown:
        shown.draw_all()
        widths = shown.page.eval_on_selector_all(
            ".plot", "all => all.map(p => p.querySelector('.main-svg').getBoundingClientRect().width)"
        )
        assert all(300 <= width <= PHONE for width in widths)


# WCAG 2.2: 2.1.1 keyboard, 2.4.1 bypass blocks, 2.4.7 focus visible.
def test_without_a_mouse_one_skips_to_the_content_and_asks_a_figure(
    browser: Browser, addresses: dict[str, str]
) -> None:
    with visit(browser, addresses["site"], width=DESK) as shown:
        shown.page.keyboard.press("Tab")
        assert _focused(shown.page) == "Skip to the content"
        shown.page.keyboard.press("Enter")
        assert shown.page.evaluate("document.activeElement.id") == "main"
        line = shown.page.locator(".figure summary").first
        line.focus()
        assert line.evaluate("e => getComputedStyle(e).outlineStyle") == "solid"
        shown.page.keyboard.press("Enter")
        assert shown.page.locator(".figure[open]").first.inner_text().count("How is it worked out?") == 1


def _focused(page: Page) -> str:
    return str(page.evaluate("document.activeElement.textContent"))


def test_a_zoom_in_one_panel_is_a_zoom_in_all_of_its_day(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["site"], width=DESK) as shown:
        shown.draw_all()
        shown.page.evaluate("Plotly.relayout(document.querySelector('.plot[data-time=day]'), {'xaxis.range': [6, 9]})")
        shown.page.wait_for_function(
            "[...document.querySelectorAll('.plot[data-time=day]')].every(p => p.layout.xaxis.range[0] === 6)"
        )
        history = shown.page.evaluate(
            "[...document.querySelectorAll('.plot[data-time=\"\"]')].map(p => p.layout.xaxis.range[0])"
        )
        assert 6 not in history


def test_the_pointer_is_told_the_local_time(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["site"], width=DESK) as shown:
        shown.draw_all()
        panel = shown.page.locator(".plot[data-time=day]").first
        panel.scroll_into_view_if_needed()
        box = panel.bounding_box()
        assert box is not None
        shown.page.mouse.move(box["x"] + 100, box["y"] + 80)
        label = panel.locator(".hoverlayer .legendtext").first
        label.wait_for(state="attached")
        assert re.fullmatch(r"\d{1,2}:\d\d( am| pm)?", label.text_content() or "")
        assert shown.complaints == []


def test_new_readings_appear_without_a_reload(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["fleet"], width=DESK) as shown:
        shown.page.evaluate("document.getElementById('fleet').dataset.old = 'yes'")
        shown.page.wait_for_function(
            "renew().then(() => document.getElementById('fleet').dataset.old !== 'yes')", polling=200
        )
        assert re.search(r"The newest reading arrived (just now|\d+\s+s ago)", shown.page.locator(".life").inner_text())


def test_what_a_reader_types_is_not_taken_away_by_the_renewal(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["fleet"], width=DESK) as shown:
        shown.page.locator("#q").fill("Quarry")
        shown.page.evaluate("renew()")
        assert shown.page.locator("#q").input_value() == "Quarry"


def test_a_house_is_found_by_its_name(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["fleet"], width=PHONE) as shown:
        shown.page.locator("#q").fill("quarry")
        shown.page.locator("button[type=submit]").click()
        shown.page.wait_for_url("**/?q=quarry")
        assert shown.page.locator(".calling h3, .quiet tbody th").all_inner_texts() == ["Quarry Road 3"]


def test_someone_takes_an_alert_on(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["alert"], width=PHONE) as shown:
        shown.page.locator("#by").fill("Ann")
        shown.page.locator("#note").fill("on my way")
        shown.page.locator(".acknowledge button").click()
        shown.page.locator(".story li", has_text="Taken up by Ann").wait_for()
        assert "on my way" in shown.page.locator(".story").inner_text()
        assert shown.page.locator(".acknowledge").count() == 0
        assert shown.complaints == []


def test_a_page_still_says_all_without_scripts(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["home"], width=PHONE, java_script_enabled=False) as shown:
        shown.page.locator(".chart .twin summary").first.click()
        assert shown.page.locator(".chart table").first.is_visible()


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_two_times_are_chosen_from_the_house_without_scripts_or_a_mouse(
    browser: Browser, origin: str, addresses: dict[str, str], width: int
) -> None:
    """From the house to its weeks, from there to what may be set side by side, and by keyboard to two times."""
    with visit(browser, addresses["site"], width=width, java_script_enabled=False) as shown:
        shown.page.get_by_role("link", name="Weeks, months, years").click()
        shown.page.get_by_role("link", name="Week", exact=True).click()
        shown.page.locator(".figure summary", has_text="Energy bought").first.press("Enter")
        assert shown.page.locator(".figure[open] a", has_text="Worked out day by day: Energy bought").is_visible()
        shown.page.get_by_role("link", name="Two times side by side").click()
        for label in ("The one", "The other"):
            shown.page.get_by_label(label, exact=True).press("Home")
        shown.page.get_by_role("button", name="Set side by side").press("Enter")
        assert "beside" in shown.page.locator("h1").inner_text()
        assert shown.page.get_by_role("heading", name="What changed?").is_visible()
        assert (shown.complaints, shown.foreign(origin), shown.overflow_px()) == ([], [], 0)


def test_days_may_be_chosen_from_one_to_another(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["compare"], width=PHONE) as shown:
        shown.page.locator("summary", has_text="From one day to another").click()
        first = shown.page.locator("#earlier-first").input_value()
        shown.page.locator("#later-first").fill(first)
        shown.page.get_by_role("button", name="Set these days side by side").click()
        shown.page.wait_for_url(f"**later={first}**")
        assert "The two share days, which count in both." in shown.page.locator("main").inner_text()
        assert shown.overflow_px() == 0


def test_on_paper_the_pages_leave_out_what_cannot_be_pressed(browser: Browser, addresses: dict[str, str]) -> None:
    with visit(browser, addresses["alert"], width=DESK) as shown:
        shown.page.emulate_media(media="print")
        assert not shown.page.locator(".top nav").is_visible()
        assert shown.page.locator(".caution").is_visible()


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_a_figures_amounts_open_beneath_it_and_fit_the_window(
    browser: Browser, origin: str, addresses: dict[str, str], width: int
) -> None:
    with visit(browser, addresses["site"], width=width) as shown:
        shown.page.locator("a[rel=prev]").click()
        shown.page.wait_for_url("**day=*")
        row = shown.page.locator("details.figure", has_text="Heat in hot water").first
        row.locator("summary").first.click()
        row.locator("details[data-from] > summary").click()
        row.locator(".amounts .sums b").first.wait_for()
        assert "± = k × u" in row.inner_text().replace("\u00a0", " ")
        assert (shown.complaints, shown.foreign(origin), shown.overflow_px()) == ([], [], 0)
        if _IS_PICTURED:
            _keep_picture(shown, f"amounts-{width}", top="details.figure[open]")
