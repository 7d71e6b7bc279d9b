"""Measures worded by a formula, over flights whose numbers are known."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from asflown.grade.evidence import AirTime, Evidence
from asflown.grade.found import Found
from asflown.grade.own_measures import own_measure
from asflown.record.series import Anchors, Series, Track
from asflown.scenario.measure_formula import parse_measure_formula
from tests.unit.grade.flights import grade_of, measured, scenario
from tests.unit.grade.paths import round_trip

NOWHERE = Series(np.empty(0), np.empty((0, 3)))


def evidence(**signals: Series) -> Evidence:
    """A flight from 1 s to 9 s with these signals, armed at 0 s, recorded until 10 s."""
    track = Track("estimate", NOWHERE, NOWHERE, None, signals, Anchors(0.0, (0, 0, 0), 0.0, ""), 10.0)
    return Evidence(track, "start-heading", AirTime(1.0, 9.0), None, None, (), 1.0)


def ramp(rate: float = 1.0, hz: float = 10.0) -> Series:
    """0 at 0 s and rising by `rate` a second until 10 s."""
    time_s = np.arange(0.0, 10.0 + 0.5 / hz, 1 / hz)
    return Series(time_s, rate * time_s)


def found(text: str, **signals: Series) -> Found:
    """What a formula comes to."""
    return own_measure(parse_measure_formula(text), evidence(**signals))


VALUES = {
    "max(height)": 9.0,
    "min(height)": 1.0,
    "first(height)": 1.0,
    "last(height)": 9.0,
    "change(height)": 8.0,
    "mean(height)": 5.0,
    "p50(height)": 5.0,
    "rms(height)": math.sqrt((9**3 - 1) / 3 / 8),
    "deviation(height)": 8 / math.sqrt(12),
    "max(abs(height - 8 m))": 7.0,
    "max(hypot(3 * height, 4 * height))": 45.0,
    "max(height / 2 + 50 cm)": 5.0,
    "min(larger(height, 3 m))": 3.0,
    "max(smaller(height, 3 m))": 3.0,
    "max(height / distance)": 0.5,
    "max(height) while height < 4 m": 4.0,
    "mean(height) while height > 4.95 m and height < 6.05 m": 5.5,
}


@pytest.mark.parametrize(("text", "value"), VALUES.items())
def test_values_over_the_flight(text: str, value: float) -> None:
    """Between lift-off at 1 s and touch-down at 9 s, of a height that rises by 1 m/s."""
    assert found(text, height=ramp(), distance=ramp(2.0)).value == pytest.approx(value, rel=2e-3)


def test_where_a_value_comes_from() -> None:
    """An extreme says when it was; the sentence shows the formula and the value in its unit."""
    one = found("max(height)", height=ramp())
    assert one.at_s == 9.0
    assert one.says == "max(height) is 9.00 m at 9.0 s"


def test_gaps_are_not_filled() -> None:
    """Between samples that are 4 s apart nothing is looked at, however straight the line would be."""
    apart = Series(np.array([0.0, 0.5, 1.0, 5.0, 5.5]), np.array([0.0, 0.0, 0.0, 8.0, 8.0]))
    assert found(
        "mean(height) while distance > 2.05 m and distance < 4.95 m", height=apart, distance=ramp()
    ) == Found(None, "there is no sample while distance > 2.05 m and distance < 4.95 m")


REASONS = {
    "no signal": ("max(speed)", "the capture has no speed (estimate)"),
    "never": ("max(height) while height > 20 m", "there is no sample while height > 20 m"),
    "divided": ("max(height / (height - height))", "something is divided by 0 at 1.0 s"),
}


@pytest.mark.parametrize(("text", "reason"), REASONS.values(), ids=REASONS.keys())
def test_what_cannot_be_measured_says_why(text: str, reason: str) -> None:
    """No number is made up; the reason is said."""
    assert found(text, height=ramp()) == Found(None, reason)


def test_the_rate_of_samples_does_not_matter() -> None:
    """Mean and root mean square are those of the straight lines between samples, at any rate."""
    slow, fast = (found("mean(height)", height=ramp(hz=hz)).value for hz in (2.0, 50.0))
    assert slow == pytest.approx(fast)


def test_graded_like_any_other(tmp_path: Path) -> None:
    """A measure of the scenario's own is graded with unit and margin, at the leg it names."""
    own = {
        "highest": {"formula": "max(height)", "at_most": 4.0},
        "hover_height": {"formula": "min(height) at leg 3", "at_least": 2.5},
    }
    grade = grade_of(tmp_path / "flight", round_trip(), scenario(measures=own))
    highest, hover = measured(grade, "highest"), measured(grade, "hover_height")
    assert highest.value == pytest.approx(3.0, abs=0.01)
    assert highest.unit == "m"
    assert highest.margin == pytest.approx(0.25, abs=0.01)
    assert hover.value == pytest.approx(3.0, abs=0.01)
    assert grade.verdict == "pass", grade.reason
