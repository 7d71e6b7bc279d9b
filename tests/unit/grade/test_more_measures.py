"""Corners, schedule, heading, attitude, link, battery, the error split, and measures of the user's own."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from asflown.errors import UsageError
from asflown.grade import measures
from asflown.grade.evidence import Evidence
from asflown.grade.found import Found
from asflown.scenario import measure_names
from asflown.scenario.model import Limit
from asflown.units import Dimension
from tests.unit.grade.flights import grade_of, measured, scenario
from tests.unit.grade.paths import Waypoint, flown, line, round_trip

SQUARE = [{"climb": {"to": 3}}, line(10, 0, 3, speed=2.0), line(10, 10, 3, speed=2.0), {"land": {}}]


def square(beyond_m: float = 0.0, cut_m: float = 0.0, speed: float = 2.0) -> list[Waypoint]:
    """Up, to a corner and round it to the right, and down; `beyond_m` further on, or cutting the corner by `cut_m`."""
    turn: list[Waypoint] = [((10 + beyond_m, 0, 3), speed, 0.0), ((10 + beyond_m, 0.01, 3), speed, 0.0)]
    if cut_m:
        turn = [((10 - cut_m, 0, 3), speed, 0.0), ((10, cut_m, 3), speed, 0.0)]
    if beyond_m:
        turn.append(((10, 2, 3), speed, 0.0))
    return [((0, 0, 3), 1.0, 0.0), *turn, ((10, 10, 3), speed, 0.0), ((10, 10, 0), 0.5, 2.0)]


def value(folder: Path, name: str, track: list[Waypoint], **more: object) -> float | None:
    """The measure `name` of a flight round the corner."""
    expected = scenario(path={"legs": SQUARE}, measures={name: {"at_most": 1.0}}, rules=[])
    return measured(grade_of(folder / "flight", flown(*track), expected, **more), name).value


@pytest.mark.parametrize("beyond_m", [0.0, 1.0, 2.5])
def test_overshoot_is_what_lies_beyond_the_corner(tmp_path: Path, beyond_m: float) -> None:
    """A corner flown so far beyond its end has that overshoot."""
    assert value(tmp_path, "corner_overshoot", square(beyond_m)) == pytest.approx(beyond_m, abs=0.06)


@pytest.mark.parametrize("cut_m", [1.0, 2.0])
def test_cut_corner_is_as_far_away_as_its_diagonal(tmp_path: Path, cut_m: float) -> None:
    """Cutting d before the corner stays d / sqrt(2) away from it."""
    assert value(tmp_path, "corner_cut", square(cut_m=cut_m)) == pytest.approx(cut_m / math.sqrt(2), abs=0.06)


def test_schedule_counts_seconds_since_the_first_timed_leg(tmp_path: Path) -> None:
    """20 m at 1 m/s where 2 m/s are planned: 10 s late at the end of the second leg."""
    assert value(tmp_path, "schedule_error", square(speed=1.0)) == pytest.approx(10.0, abs=0.5)


def test_length_ratio_of_an_exact_flight_is_one(tmp_path: Path) -> None:
    """What is flown as planned is as long as planned; the corner falls between seconds."""
    assert value(tmp_path, "path_length_ratio", square()) == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("name", ["frechet_continuous", "hausdorff_distance"])
def test_distances_of_a_track_that_is_too_high(tmp_path: Path, name: str) -> None:
    """A metre too high all the way: every distance is a metre, at the top of the climb as well."""
    high: list[Waypoint] = [((0, 0, 4), 1.0, 0.0), ((10, 0, 4), 2.0, 0.0), ((10, 10, 4), 2.0, 0.0)]
    assert value(tmp_path, name, [*high, ((10, 10, 0), 0.5, 2.0)]) == pytest.approx(1.0, abs=0.1)


def test_heading_against_travel_and_start(tmp_path: Path) -> None:
    """The nose stays where it was: off by 90 degrees from travel on the second leg, by none from the start."""
    assert value(tmp_path / "a", "heading_from_travel_p95", square()) == pytest.approx(math.pi / 2, abs=0.02)
    assert value(tmp_path / "b", "heading_from_start_p95", square()) == pytest.approx(0.0, abs=1e-6)


def test_attitude_link_and_battery(tmp_path: Path) -> None:
    """Constant roll 0.05 and pitch -0.1, every message there, 0.5 % of charge a second."""
    assert value(tmp_path / "a", "tilt_max", square()) == pytest.approx(0.1117, abs=1e-3)
    assert value(tmp_path / "b", "control_effort", square()) == pytest.approx(0.0, abs=1e-6)
    assert value(tmp_path / "c", "battery_used", square()) == pytest.approx(0.11, abs=0.03)
    assert value(tmp_path / "d", "stick_age", square()) is None


def test_error_split_tells_pilot_from_map(tmp_path: Path) -> None:
    """The truth lies 0.3 m north and 0.2 m west of an exact estimate: all of the error is of the navigation."""
    assert value(tmp_path / "a", "flight_technical_error_p95", square()) == pytest.approx(0.0, abs=0.02)
    assert value(tmp_path / "b", "navigation_system_error_p95", square()) == pytest.approx(0.36, abs=0.02)
    assert value(tmp_path / "c", "total_system_error_p95", square()) == pytest.approx(0.0, abs=0.02)


def test_every_measure_has_a_row_and_a_docstring() -> None:
    """Names in the scenario and rows of the grader are the same, and each tells its definition."""
    assert measure_names.MEASURES.keys() == measures.TABLE.keys()
    assert all(row.compute.__doc__ for row in measures.TABLE.values())


@pytest.fixture
def _own_measure() -> Iterator[None]:
    """A measure of the user's own, taken away again."""

    def highest(evidence: Evidence, _limit: Limit) -> Found:
        height = evidence.track.signals["height"]
        return Found(float(height.values.max()), "so high")

    measures.register("highest", highest, Dimension.LENGTH, "greatest height")
    yield
    del measures.TABLE["highest"], measure_names.MEASURES["highest"]


@pytest.mark.usefixtures("_own_measure")
def test_own_measure_is_limited_like_any_other(tmp_path: Path) -> None:
    """A registered measure is graded, with its margin; its name cannot be taken twice."""
    grade = grade_of(tmp_path / "a", round_trip(), scenario(measures={"highest": {"at_most": 4.0}}))
    assert measured(grade, "highest").value == pytest.approx(3.0, abs=0.01)
    with pytest.raises(UsageError, match="there is a measure `highest` already"):
        measures.register("highest", lambda *_: Found(0.0, ""), Dimension.LENGTH, "")


def test_the_guides_table_is_that_of_the_code() -> None:
    """The table of measures is made from the docstrings; `python -m tests.benchmarks.measure_table` makes it anew."""
    from tests.benchmarks.measure_table import TARGET, text

    assert TARGET.read_text(encoding="utf-8") == text()
