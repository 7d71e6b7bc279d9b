"""Scenario files as tests: collected, chosen, spread over workers, reported, and flown from Python tests."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from asflown.record.manifest import read as read_manifest
from tests.flights.flying import REPOSITORY, SCENARIO, SCENARIOS

NEST = SCENARIOS / "nest_boxes" / "nest-boxes.scenario.yaml"
WRONG = REPOSITORY / "tests" / "flights" / "variants" / "box-left-out.scenario.yaml"
SCRIPT = """\
import sys
sys.exit(1)
"""


@pytest.fixture
def folder(pytester: pytest.Pytester) -> pytest.Pytester:
    """A project of its own with a scenario whose script ends at once, wrongly."""
    pytester.makefile(
        ".scenario.yaml", quits=SCENARIO.format(name="quits", time_limit="30 s", script_more="", more="")
    )
    pytester.makepyfile(script=SCRIPT)
    return pytester


def test_each_flight_is_a_test_of_its_own(pytester: pytest.Pytester) -> None:
    """Named by scenario, vehicle and seed; nothing flies while they are collected."""
    result = pytester.runpytest_subprocess("--collect-only", "-q", str(NEST), "--asflown-flights", "2")
    result.stdout.fnmatch_lines(["*nest-boxes[[]palm80, seed 1[]]", "*nest-boxes[[]palm80, seed 2[]]"])


def test_vehicles_are_chosen_by_option_and_by_marker(pytester: pytest.Pytester) -> None:
    """Two releases are two tests; a marker for a kind that none of them is leaves none."""
    both = ["--collect-only", "-q", str(NEST), "--asflown-flights", "1"]
    both += ["--asflown-vehicle", "palm80@r1", "--asflown-vehicle", "palm80@r2"]
    pytester.runpytest_subprocess(*both).stdout.fnmatch_lines(
        ["*palm80@r1, seed 1[]]", "*palm80@r2, seed 1[]]"]
    )
    assert pytester.runpytest_subprocess(*both, "-m", "airframe").ret == pytest.ExitCode.NO_TESTS_COLLECTED
    assert pytester.runpytest_subprocess(*both, "-m", "built_in").ret == pytest.ExitCode.OK


def test_a_mistake_in_a_scenario_is_named_by_file_line_and_column(pytester: pytest.Pytester) -> None:
    """An error of collection, without a traceback."""
    pytester.makefile(".scenario.yaml", broken="asflown: 1\nname: broken\nscirpt: {}\n")
    result = pytester.runpytest_subprocess()
    assert result.ret == pytest.ExitCode.INTERRUPTED
    result.stdout.fnmatch_lines(["*broken.scenario.yaml:3:1*"])
    result.stdout.no_fnmatch_line("*Traceback*")


@pytest.mark.flight
def test_flights_on_workers_with_a_report_for_ci(pytester: pytest.Pytester) -> None:
    """Two workers, one passing and one failing flight: words of the terminal, margins as properties, exit code 1."""
    result = pytester.runpytest_subprocess(
        str(NEST), str(WRONG), "--asflown-flights", "1", "-n", "2", "--junitxml", "report.xml"
    )
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(
        ["*leg 6 (line to 1, 7, 3 m) was not flown*", "*cross_track_p95*at most 0.8 m*"]
    )
    cases = ET.parse(pytester.path / "report.xml").getroot().iter("testcase")
    names = {prop.get("name") for case in cases for prop in case.iter("property")}
    assert {"cross_track_p95", "landing_offset", "flight folder"} <= names


@pytest.mark.flight
def test_each_flight_is_flown_once_by_one_worker(folder: pytest.Pytester) -> None:
    """Three flights, two workers: a flight is one item with all its measures, so no two workers share one."""
    result = folder.runpytest_subprocess("--asflown-flights", "3", "-n", "2", "--junitxml", "report.xml")
    result.assert_outcomes(failed=3)
    kept = [place for place in (folder.path / ".asflown" / "flights").glob("*quits*") if place.is_dir()]
    assert sorted(read_manifest(place).seed for place in kept) == [1, 2, 3]
    cases = ET.parse(folder.path / "report.xml").getroot().findall(".//testcase")
    flown = [
        [one.get("value") for one in case.findall(".//property[@name='flight folder']")] for case in cases
    ]
    assert sorted(len(places) for places in flown) == [1, 1, 1]


@pytest.mark.flight
def test_a_script_that_fails_is_tried_once_however_many_tries_there_are(folder: pytest.Pytester) -> None:
    """More tries are for what could not be flown."""
    result = folder.runpytest_subprocess("--asflown-tries", "3")
    result.assert_outcomes(failed=1)
    assert len(list((folder.path / ".asflown" / "flights").glob("*quits*"))) == 1


@pytest.mark.flight
def test_fixtures_fly_and_grade_from_python(folder: pytest.Pytester) -> None:
    """`fly`, `grade` and `vehicle` in an ordinary test; the option chooses the vehicle."""
    folder.makepyfile(
        test_mine="""
        def test_mine(fly, grade, vehicle):
            assert vehicle == "field1400"
            flown = fly("quits.scenario.yaml", vehicle=vehicle, seed=3)
            assert flown.verdict == "fail"
            assert flown.manifest.seed == 3
            assert grade(flown.folder, "quits.scenario.yaml").verdict == "fail"
        """
    )
    result = folder.runpytest_subprocess("test_mine.py", "--asflown-vehicle", "field1400")
    result.assert_outcomes(passed=1)
