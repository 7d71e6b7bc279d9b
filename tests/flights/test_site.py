"""The site of real flights in a real browser: what people see, hover, type and print; and with scripts blocked."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from asflown.campaign import when_page
from asflown.campaign.findings import find
from asflown.campaign.flying import Outcome
from asflown.campaign.moments import Found, Moment
from asflown.campaign.page import write_page
from asflown.change.happenings import SIGN, Happening
from tests.flights.flying import REPOSITORY, SCENARIOS
from tests.unit.campaign.made_up import outcome

CHROMIUM = shutil.which("chromium")
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
WRONG = REPOSITORY / "tests" / "flights" / "variants" / "box-left-out.scenario.yaml"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site of a flight on two releases and of one that fails; a campaign and a point of no return beside it.

    Of these two the flights are made up, but for one.
    """
    folder = tmp_path_factory.mktemp("site")
    demo = str(SCENARIOS / "nest_boxes")
    for vehicle, path, code in (("palm80@r1", demo, 0), ("palm80@r3", demo, 1), ("palm80@r1", str(WRONG), 1)):
        flown = _asflown(folder, "fly", path, "--vehicle", vehicle, "--flights", "1", "--keep", "kept")
        assert flown.returncode == code, flown.stderr
    places = sorted(str(place) for place in (folder / "kept").iterdir() if place.is_dir())
    written = _asflown(folder, "report", *places, "--site", "site")
    assert written.returncode == 1, written.stderr
    flights = _campaign(str(folder / places[0]))
    write_page(
        folder / "site" / "campaign", "windy", "palm80", flights, find(flights), "9 of 40 flights failed"
    )
    when_page.write_page(folder / "site" / "when", *_when())
    return folder / "site"


def _when() -> tuple[when_page.Told, Found]:
    """A flight that was lost for certain after 15 s; what the scenario does to it lies close together."""
    found = Found(2800, [Moment(0, 5, 1, 5), Moment(1487, 5, 2, 5), Moment(1509, 59, 59, 59)], clear=True)
    found.fit()
    happened = (Happening(15.0, "the vehicle says 'motors running'", SIGN),)
    given = ((12.0, "gnss-loss"), (12.6, "gust of 6 m/s"), (27.9, "rotor-loss"))
    again = (
        "asflown fly windy.scenario.yaml --given 'conditions.chance.anew_at=15.09 s' --seed 1 --flights 1",
    )
    return when_page.Told(
        "Point of no return: windy, seed 1", "From 15.1 s on", happened, given, again
    ), found


def _asflown(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "asflown", *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def _campaign(folder: str) -> list[Outcome]:
    """Forty flights over wind and radio; the windy ones fail."""
    radios = ("ideal", "sub-ghz-telemetry")
    flown = [outcome(number, number / 5, 0.5 - number / 60, radios[number % 2]) for number in range(40)]
    return [*flown[:-1], replace(flown[-1], folder=folder)]


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
    return min((site / "flights").glob(f"*{name}*.html")).as_uri()


def comparison_of(site: Path) -> str:
    """The address of the page that compares two releases."""
    (found,) = (site / "comparisons").glob("*.html")
    return found.as_uri()


def every_kind(site: Path) -> list[str]:
    """The address of a page of each kind."""
    first, *others = ((site / part / "index.html").as_uri() for part in (".", "campaign", "when"))
    return [first, page_of(site, "box-left-out"), page_of(site, "nest-boxes"), comparison_of(site), *others]


def serious(page: Page) -> list[Any]:
    """What the rule engine calls serious or critical; contrast is among its rules (WCAG 2.x)."""
    found = Axe().run(page).response["violations"]
    return [(one["id"], one["nodes"][0]["html"]) for one in found if one["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1200])
def test_pages_have_no_serious_finding_of_accessibility(
    site: Path, browser: Browser, scheme: Any, width: int
) -> None:
    """Pages of every kind, light and dark, narrow and wide; the engine is axe-core."""
    context = browser.new_context(color_scheme=scheme, viewport={"width": width, "height": 900})
    page = context.new_page()
    for address in every_kind(site):
        page.goto(address)
        assert serious(page) == [], address
    context.close()


def test_a_page_asks_for_its_own_files_alone_and_nothing_goes_wrong(site: Path, watched: Watched) -> None:
    """No network, no message on the console."""
    for address in every_kind(site):
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
    assert page.locator("#shown").inner_text() == "3 of 3 lines"
    page.locator("#filter").fill("nest")
    assert page.locator("tbody[data-verdict]:visible").count() == 2
    page.locator("#filter").fill("nest r3")
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


def test_a_comparison_says_first_in_words_what_differs(site: Path, watched: Watched) -> None:
    """From the overview to its page: the answer, then why, where both went, and every measure of both."""
    page = watched.page
    page.goto((site / "index.html").as_uri())
    page.locator("#comparisons a").click()
    assert page.locator(".headlines li").first.inner_text() == "B differs from A: the firmware differs"
    assert page.locator(".findings li").first.inner_text().startswith("The firmware differs, from ")
    assert {"side-a", "side-b"} <= _classes(page, "svg.plan polyline")
    cells = page.locator("table.sides tbody tr").first.locator("td").all_inner_texts()
    assert cells[0] == "at most 0.8 m"
    assert [cells[1][-1:], cells[3][-1:]] == ["m", "m"]
    page.get_by_role("link", name="seed 1").last.click()
    assert page.title().startswith("nest-boxes on palm80 r")


def test_a_comparison_tells_the_story_of_both(site: Path, watched: Watched) -> None:
    """Until when they went together, why they parted, how both ended; the slider marks moments."""
    page = watched.page
    page.goto(comparison_of(site))
    told = page.locator(".story li").all_inner_texts()
    assert told[0].startswith("Together")
    assert "the firmware differs" in told[1]
    assert told[-1].startswith("B ended")
    page.locator("#moment").focus()
    page.keyboard.press("End")
    assert page.locator("table.events tr.now").count() == 1
    assert page.locator(".moment-label").count() >= 2
    assert watched.wrong == []


def test_the_plan_of_a_comparison_is_on_the_first_printed_sheet(site: Path, browser: Browser) -> None:
    """A4 with the margins of the page: 182 by 269 mm at 96 dots an inch."""
    context = browser.new_context(viewport={"width": 688, "height": 1017})
    page = context.new_page()
    page.emulate_media(media="print")
    page.goto(comparison_of(site))
    box = page.locator("svg.plan").bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 1017
    context.close()


def _classes(page: Page, selector: str) -> set[str]:
    found = [one.get_attribute("class") or "" for one in page.locator(selector).all()]
    return {name for classes in found for name in classes.split()}


def test_a_moment_of_a_comparison_shows_both(site: Path, watched: Watched) -> None:
    """By keyboard: a dot for A, a square for B, and the values of both in words."""
    page = watched.page
    page.goto(comparison_of(site))
    page.locator("#moment").focus()
    for _ in range(3):
        page.keyboard.press("PageUp")
    dot, square = page.locator("svg.plan circle.cursor-dot"), page.locator("svg.plan rect.cursor-dot")
    assert float(dot.get_attribute("cx") or -1) > 0
    assert float(square.get_attribute("x") or -1) > 0
    said = page.locator("#readout").inner_text()
    assert "Height A" in said
    assert "Height B" in said
    assert watched.wrong == []


def test_a_printed_page_is_black_on_white_without_its_controls(site: Path, browser: Browser) -> None:
    """Also where the reader's screen is dark; nothing is cut off at the edge of the sheet."""
    context = browser.new_context(color_scheme="dark", viewport={"width": 688, "height": 900})
    page = context.new_page()
    page.emulate_media(media="print")
    for address in every_kind(site):
        page.goto(address)
        body = page.locator("body")
        style = body.evaluate(
            "one => [getComputedStyle(one).backgroundColor, one.scrollWidth <= innerWidth + 1]"
        )
        assert style == ["rgb(255, 255, 255)", True], address
        assert not page.locator(".filter, .scrub, header.top").locator("visible=true").count()
    context.close()


@pytest.mark.parametrize("width", [360, 1200])
def test_no_page_is_wider_than_its_window(site: Path, browser: Browser, width: int) -> None:
    """What is wide scrolls by itself; 360 px is a small telephone held upright."""
    context = browser.new_context(viewport={"width": width, "height": 900})
    page = context.new_page()
    for address in every_kind(site):
        page.goto(address)
        found = page.locator("html").evaluate("() => document.scrollingElement.scrollWidth")
        assert found <= width, address
    context.close()


def test_words_in_pictures_do_not_lie_on_each_other(site: Path, browser: Browser) -> None:
    """Numbers of legs, marked moments, what a scenario does; on a wide and a narrow screen and on paper."""
    for width, media in ((1200, "screen"), (360, "screen"), (688, "print")):
        context = browser.new_context(viewport={"width": width, "height": 900})
        page = context.new_page()
        page.emulate_media(media=media)  # type: ignore[arg-type]
        for address in every_kind(site):
            page.goto(address)
            assert page.locator("svg").evaluate_all(_OVERLAPPING) == [], (address, width)
        context.close()


_OVERLAPPING = """pictures => pictures.flatMap(picture => {
  const words = Array.from(picture.querySelectorAll("text"), one => [one.textContent, one.getBoundingClientRect()]);
  const onEachOther = ([, a], [, b]) => a.left < b.right - 1 && b.left < a.right - 1
    && a.top < b.bottom - 3 && b.top < a.bottom - 3;
  return words.flatMap((one, k) => words.slice(k + 1).filter(two => onEachOther(one, two))
    .map(two => `${picture.getAttribute("aria-label")}: ${one[0]} on ${two[0]}`));
})"""
"""A box round words is higher than its letters: 3 px may overlap."""


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
    assert page.locator("tbody[data-verdict]:visible").count() == 3
    page.goto(comparison_of(site))
    assert page.locator("svg.plan").is_visible()
    assert page.locator("table.sides tbody tr").count() >= 9
    assert not page.locator(".scrub").is_visible()
    context.close()


def test_pages_are_small(site: Path) -> None:
    """Under 300 kB each beside what they share."""
    sizes = {str(file): file.stat().st_size for file in site.rglob("*.html")}
    assert len(sizes) == 8
    assert max(sizes.values()) < 300_000, sizes
