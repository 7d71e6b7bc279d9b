"""What scripts, vehicles and files of strangers say, with markup, control characters and endless lines, in each report.

Real flights whose scripts say hostile things over the link and on their output, and copies of them whose vehicle says
hostile things, too. Names of scenarios take no such characters, so names of rules and the summary carry them.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from lxml import etree
from playwright.sync_api import sync_playwright
from pymavlink.dialects.v20 import common as mav

from asflown.record import decode
from asflown.record.folder import EVENTS, VEHICLE_TLOG
from asflown.record.manifest import FILE_NAME
from tests.flights.flying import HELLO, SCENARIO
from tests.flights.test_site import CHROMIUM, SWITCHES
from tests.outside.junit_schema import read_report

MARKUP = "</script><img src=x onerror=alert(1)>"
RULE = f"{MARKUP}[x](javascript:alert(1)) | `*_~ ]]> &amp; "
SCRIPT = (
    HELLO
    + f"""
evil = {MARKUP!r} + "\\x1b[31m\\x07 WHO"
link.mav.statustext_send(6, evil.encode())
link.mav.param_set_send(1, 1, b"<b>|`\\x1b[2J&", 1.0, 9)
print(evil * 3)
print("\\x00\\x1b]0;title\\x07\\x9b2J \\ud800".encode("utf-8", "surrogatepass").decode("latin-1"))
print("A" * 1_000_000)
print(evil)
time.sleep(2)
sys.exit(3)
"""
)
LARGEST = {".html": 300_000, ".xml": 400_000, ".json": 400_000, ".md": 400_000, ".svg": 300_000}


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two flights and every report of them."""
    folder = tmp_path_factory.mktemp("hostile")
    for name, who in (("one", "A"), ("two", "B")):
        (folder / name).mkdir()
        (folder / name / "script.py").write_text(SCRIPT.replace("WHO", who), encoding="utf-8")
        rule = json.dumps(RULE)
        more = f'    - {{name: {rule}, always: "height > 9 m"}}\n'
        text = SCENARIO.format(name="hostile", time_limit="20 s", script_more="", more=more)
        text = text.replace("vehicle:", f"summary: {json.dumps(MARKUP)}\nvehicle:")
        (folder / name / "hostile.scenario.yaml").write_text(text, encoding="utf-8")
        _asflown(
            folder, "fly", name, "--keep", f"kept-{name}", "--flights", "1", "--junit", f"{name}.xml", "--json",
            f"{name}.json", "--markdown", f"{name}.md", codes=(1,),
        )  # fmt: skip
        (kept,) = (folder / f"kept-{name}").glob("*hostile*")
        shutil.copytree(kept, folder / f"flight-{name}")
    _say_hostile_things(folder / "flight-two")
    flights = ["flight-one", "flight-two"]
    _asflown(folder, "report", *flights, "--site", "site", "--plan-views", "plans", codes=(1,))
    compared = _asflown(
        folder, "compare", *flights, "--json", "compared.json", "--site", "compared", codes=(1, 4)
    )
    told = _asflown(folder, "explain", "flight-two", codes=(0,))
    graded = _asflown(folder, "grade", "flight-two", codes=(1,))
    (folder / "terminal.txt").write_text(compared + told + graded, encoding="utf-8")
    return folder


def _asflown(folder: Path, *words: str, codes: tuple[int, ...]) -> str:
    ended = subprocess.run(
        [sys.executable, "-m", "asflown", *words], cwd=folder, capture_output=True, check=False
    )
    assert ended.returncode in codes, ended.stderr.decode()
    return (ended.stdout + ended.stderr).decode()


def _say_hostile_things(flight: Path) -> None:
    """The vehicle's first message becomes a hostile STATUSTEXT, parameters with hostile names follow, and events."""
    file = flight / VEHICLE_TLOG
    index = decode.index(file)
    sender = mav.MAVLink(None, srcSystem=int(index.system[0]), srcComponent=int(index.component[0]))
    said = [
        mav.MAVLink_statustext_message(0, (MARKUP + "\x1b[2J\x07").encode()),
        mav.MAVLink_param_value_message(b"<i>|`\x1b[2J&x", 1.0, 9, 2, 0),
    ]
    stamp = int(index.time_us[10]).to_bytes(8, "big")
    data = file.read_bytes()
    place = int(index.frame_start[10]) - 8
    file.write_bytes(data[:place] + b"".join(stamp + one.pack(sender) for one in said) + data[place:])
    manifest = json.loads((flight / FILE_NAME).read_text(encoding="utf-8"))
    manifest["clock"]["digest"] = "0" * 64
    manifest["vehicle"]["release"] = MARKUP
    (flight / FILE_NAME).write_text(json.dumps(manifest), encoding="utf-8")
    with (flight / EVENTS).open("a", encoding="utf-8") as events:
        for says in (MARKUP + "\x1b[31m\x00", MARKUP + "B" * 1_000_000):
            events.write(json.dumps({"time_us": 1_000_000, "kind": MARKUP, "says": says}) + "\n")


class Tags(HTMLParser):
    """Collects the tags of a page and their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """One tag."""
        self.found.append((tag, dict(attrs)))


def _controls(text: str) -> set[str]:
    return {c for c in text if (ord(c) < 32 and c not in "\n\t\r") or 127 <= ord(c) < 160}


def test_pages_hold_no_tag_and_no_script_of_strangers(reports: Path) -> None:
    """Overview, flights, comparisons: text stays text."""
    pages = list(reports.rglob("*.html"))
    assert len([page for page in pages if page.parent.name == "comparisons"]) == 2
    for page in pages:
        text = page.read_text(encoding="utf-8")
        tags = Tags(text).found
        assert not [tag for tag, _ in tags if tag in ("img", "b", "i", "iframe")]
        assert all(
            "src" in one or one.get("type") == "application/json" for tag, one in tags if tag == "script"
        )
        assert not [key for _, one in tags for key in one if key.startswith("on")]
        assert not [one for _, one in tags if (one.get("href") or "").lower().startswith("javascript")]
        assert not _controls(text)


def test_hostile_words_are_there_to_be_read(reports: Path) -> None:
    """Harmless is not the same as left out: the page of the flight and of the comparison show them, spelled."""
    flights = [page.read_text(encoding="utf-8") for page in (reports / "site" / "flights").iterdir()]
    assert len(flights) == 2
    assert any("&lt;img src=x onerror=alert(1)&gt;#x1B[31m" in text for text in flights)
    (comparison,) = (reports / "compared" / "comparisons").iterdir()
    assert "STATUSTEXT" in comparison.read_text(encoding="utf-8")


def test_a_browser_runs_nothing_of_it(reports: Path) -> None:
    """No dialogue, no request but for the pages' own files, nothing on the console."""
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    wrong: list[str] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
        page = browser.new_page()
        page.on("dialog", lambda dialog: wrong.append(dialog.message))
        page.on("console", lambda message: wrong.append(message.text))
        page.on(
            "request",
            lambda asked: wrong.append(asked.url) if not asked.url.startswith(("file:", "data:")) else None,
        )
        for file in reports.rglob("*.html"):
            page.goto(file.as_uri())
        browser.close()
    assert wrong == []


def test_the_terminal_gets_no_control_character(reports: Path) -> None:
    """Of compare, explain and grade."""
    text = (reports / "terminal.txt").read_text(encoding="utf-8")
    assert "onerror" in text
    assert not _controls(text)


def test_reports_for_machines_stay_valid(reports: Path) -> None:
    """JUnit by both schemas, JSON by its reader, SVG by XML and without a script."""
    for name in ("one", "two"):
        root = read_report((reports / f"{name}.xml").read_text(encoding="utf-8"))
        assert any("onerror" in (one.get("name") or "") for one in root.iter("testcase"))
        json.loads((reports / f"{name}.json").read_text(encoding="utf-8"))
    json.loads((reports / "compared.json").read_text(encoding="utf-8"))
    drawn = list((reports / "plans").glob("*.svg"))
    assert len(drawn) == 2
    for file in drawn:
        tags = {etree.QName(one).localname for one in etree.fromstring(file.read_bytes()).iter()}
        assert tags <= {"svg", "style", "rect", "line", "polyline", "circle", "text", "title"}


def test_markdown_holds_no_markup_of_strangers(reports: Path) -> None:
    """Every angle bracket, pipe and bracket of theirs is escaped."""
    text = (reports / "one.md").read_text(encoding="utf-8")
    assert "onerror" in text
    assert "<" not in text
    assert "](javascript" not in text
    assert not _controls(text)


def test_no_report_grows_with_what_a_script_prints(reports: Path) -> None:
    """A megabyte in one line, in the output and in an event."""
    for file in reports.rglob("*"):
        if file.suffix in LARGEST and "kept" not in str(file) and not file.parent.name.startswith("flight-"):
            assert file.stat().st_size < LARGEST[file.suffix], file
    assert (reports / "terminal.txt").stat().st_size < 20_000
