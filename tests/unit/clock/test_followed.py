"""The clock that follows a vehicle: time moves as the vehicle says, and by the wall where it says nothing."""

from __future__ import annotations

import os

import pytest

from asflown.clock import followed
from asflown.clock.followed import FollowedClock


def run_with_reports(clock: FollowedClock, reports_us: list[int], ask_for_us: int) -> list[tuple[str, int]]:
    """What happens, in order, when the vehicle reports these times and one event is asked for `ask_for_us` later."""
    happened: list[tuple[str, int]] = []
    ours, theirs = os.pipe()
    waiting = list(reports_us)

    def readable() -> None:
        os.read(ours, 1)
        reported = waiting.pop(0)
        clock.follow(reported)
        happened.append(("report", reported))
        if waiting:
            os.write(theirs, b"x")

    async def main() -> None:
        clock.watch(ours, readable)
        os.write(theirs, b"x")
        start_us = clock.now_us()
        await clock.sleep_until(start_us + ask_for_us)
        happened.append(("event", clock.now_us() - start_us))
        clock.unwatch(ours)

    try:
        clock.run(main())
    finally:
        os.close(ours)
        os.close(theirs)
    return happened


def test_nothing_happens_before_the_vehicle_says_that_it_is_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """An event in 100 ms waits for a report that lies so far ahead, however quickly reports come."""
    monkeypatch.setattr(followed, "SILENT_S", 3600.0)
    clock = FollowedClock()
    happened = run_with_reports(clock, [5_000_000, 5_040_000, 5_010_000, 5_200_000], 100_000)
    assert [what for what, _ in happened] == ["report"] * 4 + ["event"]
    assert happened[-1][1] == 100_000


def test_a_silent_vehicle_leaves_time_to_the_wall(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever waits for it comes to the end of its patience."""
    monkeypatch.setattr(followed, "SILENT_S", 0.0)
    assert run_with_reports(FollowedClock(), [7_000_000], 20_000) == [
        ("report", 7_000_000),
        ("event", 20_000),
    ]
