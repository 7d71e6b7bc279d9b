"""Twins: where they part, and who was first to."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.change.sets import make_set
from asflown.change.twins import Origin, are_equal, inputs_that_differ, pairs, parting
from tests.unit.change.flown import DOWN, UP, Sent, flight, go, here, speed

LATER: Sent = [(at_s + 0.08, message) for at_s, message in DOWN]
AWAY: Sent = [*DOWN[:40], (DOWN[40][0], here(2.6, 0.25)), *DOWN[41:]]
CASES: dict[str, tuple[Sent, Sent, Origin, float]] = {
    "another value": ([UP[0], (2.0, speed(3.0)), *UP[2:]], DOWN, "script", 2.0),
    "one message more": ([*UP[:2], (2.5, go(1, 1)), *UP[2:]], DOWN, "script", 2.5),
    "one message less": (UP[:-1], DOWN, "script", 4.0),
    "the same, later": ([*UP[:2], (3.0002, go(8, 0)), *UP[3:]], DOWN, "script timing", 3.0),
    "telemetry comes later": (UP, LATER, "link", 0.1),
    "the vehicle says less": (UP, [*DOWN[:30], *DOWN[31:]], "vehicle", 2.1),
    "the vehicle says more": (UP, [*DOWN[:30], (2.05, here(2.0)), *DOWN[30:]], "vehicle", 2.05),
    "telemetry says something else": (UP, AWAY, "vehicle", 2.7),
}
"""What B's script sends, what B's vehicle reports, whose doing it is, and when."""


@pytest.mark.parametrize(("up", "down", "origin", "at_s"), CASES.values(), ids=CASES.keys())
def test_who_was_first_to_differ(up: Sent, down: Sent, origin: Origin, at_s: float, tmp_path: Path) -> None:
    """By the first frame that differs, in the order in which the hub saw them."""
    found = parting(flight(tmp_path / "a"), flight(tmp_path / "b", up=up, down=down))
    assert found is not None
    assert found.origin == origin
    assert found.at_s == pytest.approx(at_s, abs=0.01)


@pytest.mark.parametrize("lost", [30, 31, 32, len(DOWN) - 1])
def test_telemetry_that_is_lost_is_the_link_s(lost: int, tmp_path: Path) -> None:
    """Its number is missing, whichever message of a burst it was; one at the very end, too."""
    found = parting(flight(tmp_path / "a"), flight(tmp_path / "b", lost=[lost]))
    assert found is not None
    assert found.origin == "link"
    assert found.at_s == pytest.approx(DOWN[lost][0], abs=0.01)


def test_equal_flights_do_not_part(tmp_path: Path) -> None:
    """And are known to be equal by their digests."""
    one, other = flight(tmp_path / "a"), flight(tmp_path / "b")
    assert parting(one, other) is None
    assert are_equal(one, other)


def test_what_had_been_received_until_then_is_counted(tmp_path: Path) -> None:
    """All of it was equal: that is what makes it the script's own doing."""
    other = flight(tmp_path / "b", up=[UP[0], (2.0, speed(3.0)), *UP[2:]])
    found = parting(flight(tmp_path / "a"), other)
    assert found is not None
    assert found.says == (
        "the script sends the command to change the speed (COMMAND_LONG DO_CHANGE_SPEED) with param2 2 and 3"
    )
    assert found.heard_equal == sum(at_s < 2.0 for at_s, _ in DOWN)


def test_twins_are_of_equal_seeds_in_lockstep_on_like_machines(tmp_path: Path) -> None:
    """Nothing else is."""
    a = make_set("a", [flight(tmp_path / f"a{seed}", seed=seed) for seed in (1, 2)])
    alike = make_set("b", [flight(tmp_path / "b2", seed=2), flight(tmp_path / "b3", seed=3)])
    assert [(one.manifest.seed, other.manifest.seed) for one, other in pairs(a, alike)] == [(2, 2)]
    elsewhere = make_set("c", [flight(tmp_path / "c", clock={"fingerprint": "other"})])
    assert pairs(a, elsewhere) == []
    paced = make_set("d", [flight(tmp_path / "d", clock={"kind": "paced"})])
    assert pairs(a, paced) == []


def test_the_last_inputs_that_differ_are_named(tmp_path: Path) -> None:
    """By message and field, as they were when the script decided."""
    one, other = flight(tmp_path / "a"), flight(tmp_path / "b", down=AWAY)
    assert list(inputs_that_differ(one, 2.75, other, 2.75)) == ["LOCAL_POSITION_NED: x 0 and 0.25"]
    assert list(inputs_that_differ(one, 2.0, other, 2.0)) == []
