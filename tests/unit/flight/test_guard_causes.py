"""Each cause at its exact limit, in its exact words, and what is then asked for."""

from __future__ import annotations

from typing import Any

import pytest

from asflown.flight.guard_causes import CauseKind, Causes, Step, plan
from asflown.flight.watch import VehicleWatch
from asflown.scenario.model import GuardLimits

SECOND_US = 1_000_000
DOWN, HOME = Step("set-down"), Step("come-home")
STOP_2_S, STOP_5_S = Step("stop-here", 2 * SECOND_US), Step("stop-here", 5 * SECOND_US)


def flying(**seen: Any) -> VehicleWatch:
    """An armed vehicle that was heard at 0 and of which these things are known."""
    watch = VehicleWatch()
    watch.seen.armed, watch.seen.start_ned_m, watch.seen.heartbeat_us = True, (0.0, 0.0, 0.0), 0
    for name, value in seen.items():
        setattr(watch.seen, name, value)
    return watch


@pytest.mark.parametrize(
    ("kind", "usual", "below_a_ceiling"),
    [
        ("position-lost", (DOWN,), (DOWN,)),
        ("battery-critical", (DOWN,), (DOWN,)),
        ("runaway", (STOP_2_S, DOWN), (STOP_2_S, DOWN)),
        ("too-high", (HOME,), (STOP_2_S, DOWN)),
        ("too-far", (HOME,), (STOP_2_S, DOWN)),
        ("battery-low", (HOME,), (STOP_2_S, DOWN)),
        ("script-silent", (STOP_5_S, HOME), (STOP_5_S, DOWN)),
        ("link-lost", (HOME,), (STOP_2_S, DOWN)),
        ("script-left", (DOWN,), (DOWN,)),
        ("harness-gone", (HOME,), (STOP_2_S, DOWN)),
    ],
)
def test_what_is_asked_for_and_how_long(
    kind: CauseKind, usual: tuple[Step, ...], below_a_ceiling: tuple[Step, ...]
) -> None:
    """In order; a stop keeps its time where a landing takes the place of a return."""
    assert plan(kind, return_too_high=False) == usual
    assert plan(kind, return_too_high=True) == below_a_ceiling


@pytest.mark.parametrize(
    ("limits", "seen", "says"),
    [
        (GuardLimits(distance_m=40.0), {"north_m": 24.0, "east_m": 32.0}, []),
        (GuardLimits(battery=0.2, battery_critical=0.1), {"battery": 0.1}, ["battery 10 % < 20 %"]),
        (GuardLimits(battery=0.2), {"battery": 0.1}, ["battery 10 % < 20 %"]),
        (GuardLimits(battery=0.9, battery_critical=0.1), {"battery": 0.85}, ["battery 85 % < 90 %"]),
        (
            GuardLimits(battery=0.95, battery_critical=0.9),
            {"battery": 0.85},
            ["battery 85 % < 90 %: critical", "battery 85 % < 95 %"],
        ),
    ],
)
def test_at_a_limit_is_not_beyond_it(limits: GuardLimits, seen: dict[str, Any], says: list[str]) -> None:
    """And what is beyond it is told by its figures."""
    assert [cause.says for cause in Causes(limits, flying(**seen)).look(100_000)] == says


@pytest.mark.parametrize(
    ("limits", "at_us", "says"),
    [
        (GuardLimits(height_m=9.0), 5_000_000, []),
        (GuardLimits(script_silent_s=4), 4_000_000, []),
        (GuardLimits(script_silent_s=4), 4_000_001, ["script silent for 4 s"]),
        (GuardLimits(link_lost_s=6), 5_999_999, []),
        (GuardLimits(link_lost_s=6), 6_000_000, ["vehicle not heard for 6 s"]),
    ],
)
def test_a_silence_counts_from_its_limit_on(limits: GuardLimits, at_us: int, says: list[str]) -> None:
    """To the microsecond: of the script beyond it, of the vehicle at it."""
    causes = Causes(limits, flying())
    causes.script_heard_us = 0
    assert [cause.says for cause in causes.look(at_us)] == says


def test_what_was_seen_counts_for_five_seconds() -> None:
    """Too high when last heard, five seconds ago, is too high; a microsecond later nothing is known."""
    causes = Causes(GuardLimits(height_m=5.0), flying(down_m=-9.0, position_us=0))
    assert [cause.kind for cause in causes.look(5_000_000)] == ["too-high"]
    assert causes.look(5_000_001) == []


def test_a_position_that_was_never_told_is_lost_after_five_seconds() -> None:
    """From the start on, where a limit needs it; the vehicle is heard all the while."""
    causes = Causes(GuardLimits(height_m=5.0), flying(heartbeat_us=5_000_000))
    assert causes.look(5_000_000) == []
    assert [cause.says for cause in causes.look(5_000_001)] == ["no position told for 5 s"]


def test_a_vehicle_that_was_never_heard_has_been_silent_from_the_start() -> None:
    """And no script is silent before one is expected to speak."""
    causes = Causes(GuardLimits(script_silent_s=1), flying(heartbeat_us=None))
    assert causes.silence_us(7) == 7
    assert causes.look(4_000_000) == []


def test_a_vehicle_that_is_fast_when_first_seen_has_half_a_second() -> None:
    """To the microsecond."""
    causes = Causes(GuardLimits(speed_m_s=5.0), flying(velocity_ned_m_s=(3.0, 4.0, 1.0)))
    assert (causes.look(1_000_000), causes.look(1_499_999)) == ([], [])
    assert [cause.says for cause in causes.look(1_500_000)] == ["speed 5.1 m/s > 5 m/s"]
