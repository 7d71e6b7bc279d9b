"""The story of two flights: how long they went together, what parted them, what followed in each."""

from __future__ import annotations

from pathlib import Path

from pymavlink.dialects.v20 import development as mavlink

from asflown.change.compare import compare
from asflown.change.pair_story import PairStory, tell
from asflown.change.sets import FlownFlight, make_set
from tests.unit.change.flown import DOWN, UP, flight, speed

LOST = (2.9, mavlink.MAVLink_statustext_message(4, b"GNSS lost"))
FASTER = [UP[0], (2.0, speed(3.0)), *UP[2:]]


def story(a: FlownFlight, b: FlownFlight) -> PairStory:
    """The story of two flights by their comparison."""
    return tell(a, b, compare(make_set("a", [a]), make_set("b", [b])))


def test_a_script_that_decided_otherwise_is_told_with_its_moment(tmp_path: Path) -> None:
    """Twins: equal to the byte until the script asks for another speed; then what happened in B alone."""
    b = flight(tmp_path / "b", up=FASTER, down=[*DOWN, LOST], clock={"digest": "2"})
    told = story(flight(tmp_path / "a"), b)
    assert [(line.what, line.at_s and round(line.at_s, 1)) for line in told.lines] == [
        ("together", 2.0),
        ("why", 2.0),
        ("then B", 2.9),
        ("A ended", None),
        ("B ended", None),
    ]
    assert told.lines[0].says.startswith("until 2.00 s all that both sent and received was equal to the byte")
    assert told.lines[1].says.startswith("the script decided differently: the script sends the command to")
    assert [(words, round(at_s, 1)) for words, at_s in told.signs] == [("first sign in B", 2.9)]


def test_what_happens_in_both_is_told_once(tmp_path: Path) -> None:
    """At the same moment by the same words; nobody is said to have done it alone."""
    told = story(flight(tmp_path / "a"), flight(tmp_path / "b", up=FASTER, clock={"digest": "2"}))
    shared = [one.says for one in told.moments if one.whose == "both"]
    assert shared[0].startswith("the script asks for step 1: take off (NAV_TAKEOFF)")
    assert [one.at_s for one in told.moments] == sorted(one.at_s for one in told.moments)


def test_equal_flights_part_nowhere(tmp_path: Path) -> None:
    """To the last byte: nothing parted them and nothing followed."""
    told = story(flight(tmp_path / "a"), flight(tmp_path / "b"))
    assert [line.what for line in told.lines] == ["together", "why", "A ended", "B ended"]
    assert told.lines[0].says.startswith("to the end")
    assert {one.whose for one in told.moments} == {"both"}


def test_flights_of_other_seeds_are_told_without_bytes(tmp_path: Path) -> None:
    """No twins: nothing was ever equal, so nothing is said of that."""
    told = story(flight(tmp_path / "a"), flight(tmp_path / "b", seed=2))
    assert told.lines[0].says == "no place is known at which their paths part"
