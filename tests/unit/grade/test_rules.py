"""Rules on tracks: time 0, time bases, what is said of a broken rule, and what cannot be judged."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.grade import windows
from asflown.grade.result import RuleGraded
from asflown.grade.rules import grade_rule
from asflown.record.series import Series
from asflown.scenario.model import Rule

TIMES = np.arange(0.0, 40.0, 0.1)
SIGNALS = {
    "height": Series(TIMES, np.interp(TIMES, [0, 5, 8, 30, 38, 40], [0, 0, 3, 3, 0, 0])),
    "speed": Series(TIMES, np.interp(TIMES, [0, 10, 12, 40], [0, 0, 2.5, 2.5])),
    "battery": Series(np.arange(0.0, 40.0, 1.0), np.linspace(1.0, 0.1, 40)),
    "on_ground": Series(np.arange(0.2, 40.0, 0.5), (np.arange(0.2, 40.0, 0.5) > 38).astype(float)),
}


def graded(text: str, from_s: float = 5.0) -> RuleGraded:
    """The formula `text` over the signals of an invented flight, armed at 5 s."""
    return grade_rule(Rule(name="rule", formula=text), SIGNALS, "estimate", from_s)


def test_rule_that_holds_has_its_margin_in_its_unit() -> None:
    """A ceiling kept by 1.5 m of 4.5 m."""
    rule = graded("always height < 4.5 m")
    assert (rule.passed, rule.unit) == (True, "m")
    assert rule.robustness == pytest.approx(1 / 3)
    assert rule.margin_in_unit == pytest.approx(1.5)


def test_broken_rule_names_the_moment_and_the_value() -> None:
    """A ceiling of 2 m is broken by a metre, first at its worst when the climb ends."""
    rule = graded("always height < 2 m")
    assert not rule.passed
    assert rule.margin_in_unit == pytest.approx(-1.0)
    assert rule.at_s == pytest.approx(8.0)
    assert rule.says == "height is 3.00 m at 8.0 s, against `height < 2 m`, which was so from 7.1 s to 32.6 s"


def test_short_form_is_always() -> None:
    """`always:` in a scenario is the formula with always around it."""
    rule = grade_rule(Rule(name="r", always="height < 2 m"), SIGNALS, "estimate", 5.0)
    assert (rule.text, rule.robustness) == ("always height < 2 m", graded("always height < 2 m").robustness)


def test_short_form_of_several_parts_is_shown_as_it_is_meant() -> None:
    """`always` binds tighter than `implies`, so the text gets parentheses, and reads as the same rule."""
    short = grade_rule(Rule(name="r", always="speed > 1 m/s implies height > 2 m"), SIGNALS, "estimate", 5.0)
    assert short.text == "always (speed > 1 m/s implies height > 2 m)"
    assert graded(short.text).robustness == short.robustness


def test_time_zero_is_arming() -> None:
    """Windows count from arming: 2.8 m are reached 7.8 s after time 0 and 2.8 s after arming at 5 s."""
    assert graded("eventually[0 s, 3 s] (height > 2.7 m)").passed
    assert not graded("eventually[0 s, 3 s] (height > 2.7 m)", from_s=0.0).passed


def test_window_that_begins_after_the_flight_does_not_decide() -> None:
    """What nobody was there to see is neither kept nor broken."""
    rule = graded("always[100 s, 200 s] height < 2 m")
    assert (rule.passed, rule.robustness) == (None, None)
    assert rule.says == "not measurable: the flight ended before the time that the rule speaks of"


def test_signal_that_the_capture_lacks_does_not_decide() -> None:
    """A rule about a signal that was never sent names the signal."""
    assert graded("always tilt < 20 deg").says == "not measurable: the capture has no tilt (estimate)"


def test_mode_that_the_capture_does_not_tell() -> None:
    """A mode is no signal to a reader: the sentence says what the capture does not tell."""
    rule = graded("always while mode is set-points, tilt < 20 deg")
    assert rule.says == (
        "not measurable: the capture has no tilt, and the capture does not tell when the mode is set-points (estimate)"
    )


def test_rules_of_mixed_units_are_normalised() -> None:
    """Metres and per cent meet by their scales; the whole then has no unit."""
    rule = graded("always (battery < 20 % implies eventually[0 s, 5 s] height < 1 m)")
    assert (rule.unit, rule.margin_in_unit) == ("", None)
    assert rule.robustness is not None


def test_flag_that_decides_is_named() -> None:
    """A rule on a flag says what the flag was and when."""
    rule = graded("eventually[0 s, 10 s] on_ground")
    assert rule.says == "`on_ground` is false at 5.2 s, which was so from 5.2 s to 37.7 s"
    assert (rule.robustness, rule.unit) == (-1.0, "")


def test_negated_part_that_decides_is_told_as_such() -> None:
    """Where the broken part stands under a not, it is said to be what should not have held."""
    assert (
        graded("always not height > 2 m").says
        == "height is 3.00 m at 8.0 s, against not `height > 2 m`, which was so from 7.0 s to 32.6 s"
    )


def test_flags_keep_their_value_until_the_next_report() -> None:
    """Between two reports a flag stays what it was; it is not half true."""
    rule = graded("always (height < 0.01 m implies on_ground or height > -1 m)")
    assert rule.passed


def test_parts_make_the_whole() -> None:
    """`always (a and b)` is as robust as the weaker of `always a` and `always b`."""
    a, b = graded("always height < 4 m"), graded("always speed < 3 m/s")
    both = graded("always (height < 4 m and speed < 3 m/s)")
    assert both.robustness == min(a.robustness or 0, b.robustness or 0)


def test_ends_of_windows_between_samples_are_looked_at() -> None:
    """The climb of 1 m/s reaches 1.05 m half-way between two samples, and a window that ends there knows it."""
    rule = graded("eventually[0 s, 1.05 s] height > 1 m")
    assert rule.margin_in_unit == pytest.approx(0.05)
    assert rule.exact


SAMPLED = {
    "always height < 3 m": True,
    "always (height < 3 m and speed < 3 m/s)": True,
    "always (height < 3 m or speed < 3 m/s)": False,
    "eventually (height < 3 m or speed < 3 m/s)": True,
    "always (height < 3 m implies eventually[0 s, 3 s] height > 1 m)": False,
    "height < 3 m until speed > 1 m/s": False,
}


@pytest.mark.parametrize(("text", "exact"), SAMPLED.items(), ids=SAMPLED.keys())
def test_a_rule_says_whether_it_is_exact_between_samples(text: str, exact: bool) -> None:
    """What is looked at over samples alone is said to be so."""
    assert graded(text).exact == exact


NUMBERS = st.lists(st.integers(-9, 9).map(float), min_size=1, max_size=40)


@given(values=NUMBERS, data=st.data())
def test_windows_are_what_min_and_max_say(values: list[float], data: st.DataObject) -> None:
    """Smallest and largest over any windows, empty ones included, as by looking at each."""
    places = st.integers(0, len(values))
    pairs = data.draw(st.lists(st.tuples(places, places), min_size=1, max_size=20))
    first, last = (np.array(column) for column in zip(*pairs, strict=True))
    smallest = windows.smallest(np.array(values), first, last)
    largest = windows.largest(np.array(values), first, last)
    assert smallest.tolist() == [min(values[a:b], default=np.inf) for a, b in pairs]
    assert largest.tolist() == [max(values[a:b], default=-np.inf) for a, b in pairs]


BROKEN = {
    "always height < 2 m": ("height < 2 m", (7.1, 32.6)),
    "always (height < 4 m and height < 2 m)": ("height < 2 m", (7.1, 32.6)),
    "always (height > 2 m implies eventually[0 s, 5 s] on_ground)": (
        "height > 2 m implies eventually[0 s, 5 s] on_ground",
        None,
    ),
    "always (on_ground or height < 2 m)": ("on_ground or height < 2 m", None),
    "always eventually[0 s, 3 s] on_ground": ("eventually[0 s, 3 s] on_ground", None),
    "always ((height > 2 m) implies once[0 s, 1 s] on_ground)": (
        "(height > 2 m) implies once[0 s, 1 s] on_ground",
        None,
    ),
    "always not rise(height > 2.05 m)": ("not rise(height > 2.05 m)", None),
    "eventually[0 s, 10 s] height > 5 m": ("height > 5 m", None),
    "eventually rise(height > 5 m)": ("height > 5 m", None),
    "height < 1 m until[0 s, 5 s] height > 5 m": ("height > 5 m", None),
    "next height > 5 m": ("height > 5 m", None),
    "height < 4 m and eventually height > 5 m": ("eventually height > 5 m", None),
    "always historically height < 2 m": ("historically height < 2 m", None),
    "always (height < 1 m since on_ground)": ("height < 1 m since on_ground", None),
}


@pytest.mark.parametrize(
    ("text", "part", "seconds"), [(t, *found) for t, found in BROKEN.items()], ids=BROKEN
)
def test_every_broken_rule_names_the_part_and_the_time(
    text: str, part: str, seconds: tuple[float, float] | None
) -> None:
    """Whatever its operators: which sub-formula broke it, and from when to when; both are said."""
    rule = graded(text)
    assert rule.passed is False
    assert (rule.part, rule.broken_s is None) == (part, False)
    if seconds is not None:
        assert rule.broken_s == pytest.approx(seconds, abs=0.11)
    assert part in rule.says
    assert "from" in rule.says or "alone" in rule.says


def test_a_named_part_is_told_by_its_name() -> None:
    """`let` names a part; where it breaks the rule, the name stands before its text."""
    low = Rule(name="r", formula="always (armed implies low)", let={"low": "height < 2 m"})
    rule = grade_rule(low, SIGNALS | {"armed": SIGNALS["height"]}, "estimate", 5.0)
    assert "against `low: height < 2 m`" in rule.says
    assert "`armed implies low` is broken from" in rule.says


def test_a_rule_that_holds_names_no_part() -> None:
    """Nothing broke it."""
    rule = graded("always height < 4.5 m")
    assert (rule.part, rule.broken_s) == ("", None)
