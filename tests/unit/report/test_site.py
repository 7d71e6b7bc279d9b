"""The static site: every word of strangers harmless, names of pages safe, pictures that say what they show."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from asflown.grade.tolerances import MeasureTolerance
from asflown.record.series import Series
from asflown.report.site import ink, strips
from asflown.report.site.overview import page_name, worst_margin
from asflown.report.site.site import write_site
from asflown.report.site.story import Curve
from tests.unit.report.builders import KEPT, VIOLATED, flown, grade, outcome

HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(1)>\"' \x1b[31m\x00 \ud800"


class Tags(HTMLParser):
    """Collects the tags of a page and their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """One tag."""
        self.found.append((tag, dict(attrs)))


def test_words_of_strangers_bring_no_tag_and_no_script(tmp_path: Path) -> None:
    """In the overview and on the flight's page, wherever they stand."""
    graded = grade(verdict="fail", reason=HOSTILE, anchors=HOSTILE)
    failing = flown(graded, scenario=HOSTILE, scenario_file=HOSTILE, started_utc=HOSTILE)
    write_site(
        [(outcome(failing, name=HOSTILE, vehicle=HOSTILE, statement=HOSTILE, verdict="fail"), None)],
        tmp_path,
        "now",
    )
    pages = list(tmp_path.rglob("*.html"))
    assert len(pages) == 2
    for page in pages:
        text = page.read_text(encoding="utf-8")
        tags = Tags(text).found
        assert not [tag for tag, _ in tags if tag == "img"]
        scripts = [attributes for tag, attributes in tags if tag == "script"]
        assert all("src" in one or one.get("type") == "application/json" for one in scripts)
        assert not [key for _, attributes in tags for key in attributes if key.startswith("on")]
        assert "\x1b" not in text


def test_a_flight_without_anything_still_has_a_page(tmp_path: Path) -> None:
    """Nothing was recorded, and the scenario is gone: the page says so."""
    first = write_site([(outcome(flown(None)), None)], tmp_path, "now")
    (page,) = (tmp_path / "flights").glob("*.html")
    assert first == tmp_path / "index.html"
    assert "the scenario is not at" in page.read_text(encoding="utf-8")


def test_a_page_states_tolerance_limits_beside_values(tmp_path: Path) -> None:
    """Of a scenario that is judged by a share: on the flight's page and on the overview's line."""
    limit = MeasureTolerance(
        "cross_track_p95", "m", "estimate", "", None, "0.9 of all flights stay below 0.71 m"
    )
    first = write_site([(outcome(flown(), tolerances=(limit,)), None)], tmp_path, "now")
    (page,) = (tmp_path / "flights").glob("*.html")
    for file in (first, page):
        assert "0.9 of all flights stay below 0.71 m" in file.read_text(encoding="utf-8")


def test_two_flights_of_one_name_have_two_pages(tmp_path: Path) -> None:
    """Of one scenario, vehicle, seed and second."""
    flights = [flown(folder=Path(place) / "f1") for place in ("a", "b")]
    write_site([(outcome(*flights), None)], tmp_path, "now")
    assert len(list((tmp_path / "flights").glob("*.html"))) == 2


@given(st.text(max_size=300))
@pytest.mark.slow
def test_the_name_of_a_page_is_a_plain_file_name(name: str) -> None:
    """Whatever a scenario is called, and whatever its start claims to be."""
    page = page_name(flown(scenario=name, started_utc=name))
    assert page.endswith(".html")
    assert "/" not in page
    assert not page.startswith((".", "-"))
    assert len(page.encode()) <= 125


def test_the_name_of_a_page_says_what_was_flown_and_when() -> None:
    """And not what its folder was called."""
    page = page_name(flown(started_utc="2026-11-25T17:48:45+00:00", folder=Path("x")))
    assert page == "nest-boxes-palm80-r1-seed-7-20261125T174845Z.html"


def test_the_worst_margin_is_the_smallest_of_measures_and_rules() -> None:
    """With the name of what has it; a flight without a grade has none."""
    assert worst_margin(flown(grade(KEPT, VIOLATED))) == (-1.75, "cross_track_p95")
    assert worst_margin(flown(None)) == (None, "")


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(2, 12))
def test_ticks_are_few_and_lie_within(low: float, span: float, most: int) -> None:
    """Round values from low to high."""
    found = ink.ticks(low, low + span, most)
    assert len(found) <= most + 1
    assert all(low - 1e-6 * span - 1e-9 <= value <= low + span + 1e-6 * span + 1e-9 for value in found)


@given(st.lists(st.tuples(st.floats(0.0, 900.0), st.text("abc ", min_size=1, max_size=30)), max_size=12))
def test_words_of_one_row_do_not_overlap(labels: list[tuple[float, str]]) -> None:
    """Nor are there more rows than words."""
    rows = ink.rows_of(labels)
    assert sorted(set(rows)) == list(range(len(set(rows))))
    for row in set(rows):
        ends = 0.0
        for begin, text in sorted(one for one, its in zip(labels, rows, strict=True) if its == row):
            assert begin >= ends
            ends = begin + ink.LETTER * len(text)


@pytest.mark.parametrize(("unit", "lowest"), [("1/s", "0"), ("m", "30")])
def test_the_axis_of_a_count_begins_at_none(unit: str, lowest: str) -> None:
    """A small dip of a rate shall not look like a loss; a height may begin where it is."""
    series = Series(np.arange(10.0), np.linspace(30.0, 40.0, 10))
    drawn = etree.fromstring(
        strips.curve_strip(Curve("Signal", unit, series), strips.Axis(0.0, 9.0)).encode()
    )
    labels = [one.text for one in drawn.iter("{*}text") if one.get("text-anchor") == "end"]
    assert labels[0] == lowest


def test_thinning_keeps_the_peaks() -> None:
    """One sample in ten thousand stands out, and is still drawn."""
    values = np.zeros(10_000)
    values[6_543] = 9.0
    time_s, kept = ink.thinned(np.arange(10_000.0), values, 200)
    assert len(kept) <= 202
    assert kept.max() == 9.0
    assert np.all(np.diff(time_s) > 0)


@pytest.mark.parametrize("text", [HOSTILE, "a & b", "√"])
def test_a_picture_is_well_formed_with_any_words(text: str) -> None:
    """As XML, alone and with its colours."""
    drawn = ink.picture([ink.label((1, 2), text), ink.circle((1, 2), 3, "mark", text)], 10, 10, text)
    for svg in (str(drawn), ink.standalone(drawn)):
        assert etree.fromstring(svg.encode()).tag.endswith("svg")
