"""The site of real flights in a real browser: what people see, hover, type and print; and with scripts blocked."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from tests.flights.flying import REPOSITORY, SCENARIOS

CHROMIUM = shutil.which("chromium")
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
WRONG = REPOSITORY / "tests" / "flights" / "variants" / "box-left-out.scenario.yaml"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site of one flight that passes and one that fails."""
    folder = tmp_path_factory.mktemp("site")
    asflown = [sys.executable, "-m", "asflown"]
    paths = [str(SCENARIOS / "nest_boxes"), str(WRONG)]
    flown = subprocess.run(
        [*asflown, "fly", *paths, "--flights", "1", "--keep", "kept", "--site", "site"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert flown.returncode == 1, flown.stderr
    return folder / "site"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        yield started
        started.close()


class Watched:
    """A page with what went wrong on it and what it asked for."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.wrong: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda message: self.wrong.append(message.text))
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))


@pytest.fixture
def watched(browser: Browser) -> Iterator[Watched]:
    """An empty page."""
    context = browser.new_context()
    yield Watched(context.new_page())
    context.close()


def page_of(site: Path, name: str) -> str:
    """The address of the flight's page whose name holds `name`."""
    (found,) = (site / "flights").glob(f"*{name}*.html")
    return found.as_uri()


def serious(page: Page) -> list[Any]:
    """What the rule engine calls serious or critical; contrast is among its rules (WCAG 2.x)."""
    found = Axe().run(page).response["violations"]
    return [(one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [420, 1200])
def test_pages_have_no_serious_finding_of_accessibility(
    site: Path, browser: Browser, scheme: Any, width: int
) -> None:
    """Overview and flight, light and dark, narrow and wide; the engine is axe-core."""
    context = browser.new_context(color_scheme=scheme, viewport={"width": width, "height": 900})
    page = context.new_page()
    for address in ((site / "index.html").as_uri(), page_of(site, "box-left-out")):
        page.goto(address)
        assert serious(page) == []
    context.close()


def test_a_page_asks_for_its_own_files_alone_and_nothing_goes_wrong(site: Path, watched: Watched) -> None:
    """No network, no message on the console."""
    for address in ((site / "index.html").as_uri(), page_of(site, "nest-boxes")):
        watched.page.goto(address)
    assert watched.wrong == []
    assert all(address.startswith((site.as_uri(), "data:")) for address in watched.asked)


def test_the_plain_words_come_first(site: Path, watched: Watched) -> None:
    """The failing flight's page begins with what went wrong, before any number."""
    watched.page.goto(page_of(site, "box-left-out"))
    first = watched.page.locator(".headlines li").first.inner_text()
    assert first.startswith("leg 6 (line to 1, 7, 3 m) was not flown")


def test_pointing_at_one_picture_moves_the_cursor_in_all(site: Path, watched: Watched) -> None:
    """One moment: the same place in every strip, a dot in the plan, and the values in words."""
    page = watched.page
    page.goto(page_of(site, "box-left-out"))
    page.locator("svg.strip").nth(1).hover(position={"x": 400, "y": 40})
    places = {line.get_attribute("x1") for line in page.locator("svg.strip .cursor").all()}
    assert len(places) == 1
    assert float(page.locator(".cursor-dot").get_attribute("cx") or -1) > 0
    assert "leg" in page.locator("#readout").inner_text()
    assert watched.wrong == []


def test_a_flight_can_be_replayed_by_keyboard_alone(site: Path, watched: Watched) -> None:
    """Tab to the slider, arrow keys move the moment; the button plays and pauses."""
    page = watched.page
    page.goto(page_of(site, "nest-boxes"))
    page.locator("#moment").focus()
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    assert page.locator("#moment").input_value() == "10"
    assert page.locator("#readout").inner_text().startswith("1.")
    page.locator("#play").focus()
    page.keyboard.press("Enter")
    for _ in range(100):  # the page's policy lets nobody evaluate text, so its state is looked at from here
        if int(page.locator("#moment").input_value()) > 12:
            break
        page.wait_for_timeout(50)
    page.keyboard.press("Enter")
    assert page.locator("#play").get_attribute("aria-pressed") == "false"
    assert int(page.locator("#moment").input_value()) > 12


def test_the_overview_is_filtered_by_words_and_verdict(site: Path, watched: Watched) -> None:
    """What does not fit is hidden, and the number of lines is told."""
    page = watched.page
    page.goto((site / "index.html").as_uri())
    assert page.locator("#shown").inner_text() == "2 of 2 lines"
    page.locator("#filter").fill("nest")
    assert page.locator("tbody[data-verdict]:visible").count() == 1
    page.locator("#filter").fill("")
    page.locator("input[value=fail]").uncheck()
    assert page.locator("tbody[data-verdict]:visible").get_attribute("data-verdict") == "pass"


def test_the_worst_stands_first_and_leads_to_its_page(site: Path, watched: Watched) -> None:
    """From the overview to the failing flight and back."""
    page = watched.page
    page.goto((site / "index.html").as_uri())
    page.locator(".flights a").first.click()
    assert "box-left-out" in page.title()
    page.get_by_role("link", name="All flights").click()
    assert page.title().startswith("As flown")


def test_everything_is_there_with_scripts_blocked(site: Path, browser: Browser) -> None:
    """Tables and pictures; what needs a script is not shown at all."""
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(page_of(site, "box-left-out"))
    assert page.locator("svg.plan").is_visible()
    assert page.locator("table.measures tbody tr").count() >= 9
    assert not page.locator(".scrub").is_visible()
    page.goto((site / "index.html").as_uri())
    assert not page.locator(".filter").is_visible()
    assert page.locator("tbody[data-verdict]:visible").count() == 2
    context.close()


def test_pages_are_small(site: Path) -> None:
    """Under 300 kB each beside what they share."""
    sizes = {file.name: file.stat().st_size for file in site.rglob("*.html")}
    assert len(sizes) == 3
    assert max(sizes.values()) < 300_000, sizes
