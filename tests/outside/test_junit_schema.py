"""JUnit reports against the published schema, the characters XML 1.0 allows, and others' exit codes.

Sources of the schemas: pytest 9.2.0, testing/example_scripts/junit-10.xsd, and behave 1.3.3, etc/junit.xml/junit-4.xsd
(tests/outside/data/junit/SOURCE.md). Every report that is read here is held against both.
"""

from __future__ import annotations

import os
import signal
from datetime import UTC, datetime
from pathlib import Path
from xml.parsers import expat

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from asflown.errors import ExitCode
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.junit import junit_text, write_junit
from asflown.report.visible import visible
from tests.outside.junit_schema import is_valid, read_report
from tests.unit.report.builders import FAILED, KEPT, UNDECIDED, VIOLATED, flown, grade, outcome

EVERY_VERDICT = (
    outcome(flown()),
    outcome(flown(FAILED), verdict="fail"),
    outcome(flown(grade(UNDECIDED, verdict="inconclusive")), verdict="inconclusive"),
    outcome(flown(None, outcome="error", problem="the script never spoke"), verdict="error"),
    outcome(flown(), flown(FAILED, seed=8), verdict="pass", judged_by_share=True),
    outcome(flown(), verdict="error", not_flown=(8, 9), failures=("port 14560 is taken",)),
    outcome(verdict="error", not_flown=(1,)),
)


@pytest.mark.parametrize("one", EVERY_VERDICT, ids=lambda one: f"{one.verdict}-{len(one.flights)}")
def test_every_kind_of_outcome_is_valid(one: ScenarioOutcome) -> None:
    """OC-REP-01: the schema takes a report of each verdict, and each declared count is right."""
    read_report(junit_text([one]))


def test_all_outcomes_together_are_valid_and_counted() -> None:
    """OC-REP-01: several suites in one report; the root's counts are the sums."""
    root = read_report(junit_text(EVERY_VERDICT))
    assert len(root) == len(EVERY_VERDICT)
    assert is_valid(junit_text([]))


@pytest.mark.parametrize(
    ("seconds", "written"),
    [(1.234, "1.234"), (1234.5, "1234.500"), (12345.678, "12345.678"), (1.23456, "1.235"), (1e-3, "0.001")],
)
def test_times_have_three_decimals_and_no_exponent(seconds: float, written: str) -> None:
    """OC-REP-02: whatever the time, the schema takes how it is written."""
    root = read_report(junit_text([outcome(flown(wall_time_s=seconds))]))
    assert [root.get("time"), root[0].get("time")] == [written, written]


@pytest.mark.parametrize(
    ("time", "valid"), [("1.234", True), ("12345.678", True), ("1.2345", False), ("1e-3", False)]
)
def test_the_schema_is_as_strict_as_we_take_it_to_be(time: str, valid: bool) -> None:
    """OC-REP-02: the reading of the schema that the writer rests on."""
    assert is_valid(f'<testsuite name="a" tests="0" failures="0" errors="0" time="{time}"/>') is valid


SUITE = '<testsuite name="a" tests="1" failures="0" errors="0">{}</testsuite>'


@pytest.mark.parametrize(
    ("document", "valid"),
    [
        ('<testsuites><testsuite name="a" tests="0" failures="0" errors="0"/></testsuites>', True),
        ('<testsuites skipped="0"/>', False),
        ('<testsuites disabled="0"/>', False),
        ('<testsuite name="a" tests="0" failures="0"/>', False),
        (
            SUITE.format('<properties><property name="seed" value="7"/></properties><testcase name="t"/>'),
            True,
        ),
        (SUITE.format('<testcase name="t"><properties/></testcase>'), False),
        (SUITE.format('<testcase name="t" file="f"/>'), False),
    ],
    ids=["least", "skipped", "disabled", "no errors", "properties", "case properties", "case file"],
)
def test_what_the_schema_does_not_allow(document: str, valid: bool) -> None:
    """OC-REP-01 and OC-REP-03: what must be there, and what must not."""
    assert is_valid(document) is valid


FORBIDDEN = "\x00\x08\x0b\x1b\ufffe\uffff"
ALLOWED = "\t\x7f\x85\ud7ff\ue000\ufffd"


@pytest.mark.parametrize("character", FORBIDDEN + ALLOWED, ids=lambda c: f"U+{ord(c):04X}")
def test_two_parsers_agree_which_characters_xml_allows(character: str) -> None:
    """OC-REP-04: expat and lxml refuse the first six and take the others."""
    document = f"<a>{character}</a>".encode()
    accepted = character in ALLOWED
    assert _accepts(lambda: expat.ParserCreate("utf-8").Parse(document, True)) is accepted
    assert _accepts(lambda: etree.fromstring(document)) is accepted


def _accepts(parse: object) -> bool:
    assert callable(parse)
    try:
        parse()
    except (expat.ExpatError, etree.XMLSyntaxError):
        return False
    return True


@pytest.mark.parametrize(
    ("character", "written"),
    [("\x00", "#x00"), ("\x1b", "#x1B"), ("\x7f", "#x7F"), ("\uffff", "#xFFFF")],
    ids=["nul", "escape", "delete", "no character"],
)
def test_control_characters_are_visible_in_messages_and_output(
    character: str, written: str, tmp_path: Path
) -> None:
    """OC-REP-04 and OC-REP-05: never dropped, never raw."""
    (tmp_path / "script.log").write_bytes(f"before{character}after".encode("utf-8", "surrogatepass"))
    problem = f"it said {character}!"
    root = read_report(
        junit_text([outcome(flown(None, tmp_path, outcome="error", problem=problem), verdict="error")])
    )
    error = root.find(".//error")
    assert error is not None
    assert f"it said {written}!" in (error.get("message") or "")
    assert root.findtext(".//system-out") == f"before{written}after"


@settings(deadline=None, max_examples=60)
@given(st.text(max_size=40), st.text(max_size=40))
def test_any_text_gives_a_valid_report(problem: str, name: str) -> None:
    """OC-REP-04: whatever a script or a file says, the report parses and keeps it."""
    one = outcome(flown(None, outcome="error", problem=f"p{problem}"), verdict="error", name=f"n{name}")
    root = read_report(junit_text([one]))
    error = root.find(".//error")
    assert error is not None
    assert (error.get("message") or "") == visible(f"p{problem}")


def test_a_megabyte_of_rubbish_stays_small_and_valid(tmp_path: Path) -> None:
    """OC-REP-01: of 1 MB of script output with every byte value in it, the last 64 KB are in the report."""
    (tmp_path / "script.log").write_bytes(bytes(range(256)) * 4096 + b"Traceback: the reason\n")
    path = tmp_path / "report.xml"
    write_junit(path, [outcome(flown(FAILED, tmp_path), verdict="fail")])
    output = read_report(path.read_text(encoding="utf-8")).findtext(".//system-out") or ""
    assert output.endswith("Traceback: the reason\n")
    assert output.startswith(f"[the first {1024 * 1024 + 22 - 64 * 1024} bytes are in {tmp_path}/script.log]")
    assert path.stat().st_size < 300_000


def _failing() -> Flown:
    return flown(grade(VIOLATED, KEPT, verdict="fail", reason="off the path"))


def test_a_failure_says_where_how_much_when_and_how_to_repeat() -> None:
    """A reader of the CI page needs nothing but the failure's text."""
    failure = read_report(junit_text([outcome(_failing(), verdict="fail")])).find(".//failure")
    assert failure is not None
    assert failure.get("message") == (
        "leg 4 (line to 8, 6, 3 m) is 1.4 m too far right, from 22.1 s "
        "(cross_track_p95 is 2.20 m, allowed at most 0.8 m)"
    )
    assert (failure.text or "").splitlines()[1:] == [
        "where: leg 4 (line to 8, 6, 3 m)",
        "when: 22.1 s of flight time",
        "north, east and heading are the estimate's own at arming",
        "flight folder: .asflown/flights/f1",
        "once more: asflown fly scenarios/nest_boxes/nest-boxes.scenario.yaml --vehicle palm80 --flights 1 --seed 7",
    ]


# RFC 3339, section 5.8, examples; Unix times as the row gives them.
STAMPS = [
    ("1985-04-12T23:20:50.52Z", 482_196_050.52),
    ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC).timestamp()),
    ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, tzinfo=UTC).timestamp()),
]


@pytest.mark.parametrize(("stamp", "unix_s"), STAMPS)
def test_stamps_in_reports_are_read_as_the_standard_says(stamp: str, unix_s: float) -> None:
    """OC-REP-09: the report carries the manifest's stamp unchanged, and a standard reader knows the moment."""
    root = read_report(junit_text([outcome(flown(started_utc=stamp))]))
    assert datetime.fromisoformat(root[0].get("timestamp") or "").timestamp() == pytest.approx(
        unix_s, abs=1e-6
    )


def test_exit_codes_stay_clear_of_what_others_mean() -> None:
    """OC-REP-10: our verdicts lie below sysexits (64 to 78) and shell signal codes; signals are 128 + number."""
    sysexits = {getattr(os, name) for name in dir(os) if name.startswith("EX_")} - {os.EX_OK}
    assert min(sysexits) == 64
    verdicts = set(ExitCode) - {ExitCode.INTERRUPTED, ExitCode.TERMINATED}
    assert max(verdicts) < 64
    assert not sysexits & set(ExitCode)
    assert ExitCode.INTERRUPTED == 128 + signal.SIGINT == 130
    assert ExitCode.TERMINATED == 128 + signal.SIGTERM
