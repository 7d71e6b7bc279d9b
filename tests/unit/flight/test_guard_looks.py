"""When the guard looks first, and what of a script it passes on."""

from __future__ import annotations

from asflown.clock.virtual import VirtualClock
from asflown.flight.guard import Guard
from asflown.flight.guard_terms import GuardTerms
from asflown.flight.watch import VehicleWatch
from asflown.scenario.model import GuardLimits
from tests.unit.flight.test_guard import NotingHub


def test_it_looks_for_the_first_time_after_a_tenth_of_a_second() -> None:
    """What is too high from the start is told then, and asked home once."""
    clock, hub, watch = VirtualClock(), NotingHub(), VehicleWatch()
    notes: list[int] = []
    terms = GuardTerms(limits=GuardLimits(height_m=1.0))
    guard = Guard(terms, clock, hub, watch, lambda now_us, *_: notes.append(now_us), lambda *_, **facts: None)
    watch.seen.armed, watch.seen.start_ned_m, watch.seen.heartbeat_us = True, (0.0, 0.0, 0.0), 0
    watch.seen.down_m = -100.0
    guard.script_started()
    guard.start()
    clock.run(clock.sleep_until(300_000))
    assert notes == [100_000]
    assert hub.log == ["script cut off", "guard speaks"]
