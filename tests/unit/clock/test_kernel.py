"""The event queue and both clocks: order, jumps, cancelling, coroutines, signals."""

from __future__ import annotations

import asyncio
import os
import signal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.clock.kernel import StoppedBySignal, ignored
from asflown.clock.paced import PacedClock
from asflown.clock.virtual import VirtualClock
from asflown.errors import HarnessFault


@given(st.lists(st.integers(0, 50), max_size=40))
def test_events_run_by_time_and_then_by_the_order_of_asking(times_us: list[int]) -> None:
    """However they are asked for, events run in order of time; ties run in the order of asking."""
    clock, ran = VirtualClock(), []
    for number, when_us in enumerate(times_us):
        clock.call_at(when_us, lambda entry=(when_us, number): ran.append(entry))  # type: ignore[misc]
    clock.run(clock.sleep_until(51))
    assert ran == sorted(ran)
    assert len(ran) == len(times_us)


def test_virtual_time_jumps_to_what_comes_next() -> None:
    """Two hours of sleep pass at once, and end exactly when they should."""
    clock = VirtualClock()
    clock.run(clock.sleep_until(7_200_000_000))
    assert clock.now_us() == 7_200_000_000


def test_time_does_not_go_back_for_an_event_in_the_past() -> None:
    """An event asked for in the past runs at the present."""
    clock, seen = VirtualClock(), []

    async def late() -> None:
        await clock.sleep_until(100)
        clock.call_at(5, lambda: seen.append(clock.now_us()))
        await clock.sleep_until(200)

    clock.run(late())
    assert seen == [100]


def test_cancelled_events_do_not_happen() -> None:
    """A cancelled timer neither runs nor keeps time from moving past it."""
    clock, ran = VirtualClock(), []
    clock.call_at(10, lambda: ran.append("cancelled")).cancel()
    clock.call_at(20, lambda: ran.append("kept"))
    clock.run(clock.sleep_until(30))
    assert ran == ["kept"]


def test_asyncio_time_outs_follow_the_virtual_clock() -> None:
    """asyncio.timeout and asyncio.sleep count flight time."""
    clock = VirtualClock()

    async def main() -> int:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(2.5):
                await asyncio.sleep(1000)
        return clock.now_us()

    assert clock.run(main()) == 2_500_000


def test_a_flight_in_which_nothing_is_due_is_a_fault() -> None:
    """Waiting for what nobody will ever do is found out, not waited for."""
    clock = VirtualClock()

    async def forever() -> None:
        await asyncio.get_running_loop().create_future()

    with pytest.raises(HarnessFault, match="nothing is due"):
        clock.run(forever())


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "SIGTERM"])
@pytest.mark.parametrize("make", [VirtualClock, PacedClock], ids=["virtual", "paced"])
def test_a_signal_ends_the_run_after_cleaning_up(
    make: type[VirtualClock | PacedClock], number: signal.Signals
) -> None:
    """Ctrl-C and SIGTERM cancel the main coroutine, which still cleans up, and then are reported."""
    clock, log = make(), []
    handler_before = signal.getsignal(number)

    async def main() -> None:
        clock.call_at(1000, lambda: os.kill(os.getpid(), number))
        try:
            await clock.sleep_until(60_000_000_000 if make is VirtualClock else 60_000_000)
        finally:
            log.append("cleaned up")

    clock.call_at(500_000, lambda: log.append("callback long after the signal"))
    with pytest.raises(StoppedBySignal) as caught:
        clock.run(main())
    assert (caught.value.signal_number, log) == (number, ["cleaned up"])
    assert signal.getsignal(number) is handler_before


@pytest.mark.parametrize("make", [VirtualClock, PacedClock], ids=["virtual", "paced"])
def test_a_signal_in_the_last_callback_is_not_lost(make: type[VirtualClock | PacedClock]) -> None:
    """It arrives when nothing is left to be cancelled, and whoever called `run` hears of it all the same."""

    async def main() -> None:
        os.kill(os.getpid(), signal.SIGTERM)

    with pytest.raises(StoppedBySignal) as caught:
        make().run(main())
    assert caught.value.signal_number == signal.SIGTERM


@pytest.mark.parametrize("make", [VirtualClock, PacedClock], ids=["virtual", "paced"])
def test_a_signal_that_is_ignored_ends_no_run(make: type[VirtualClock | PacedClock]) -> None:
    """A worker hears of Ctrl-C from its parent alone: a clock does not take over what the process leaves alone."""
    clock = make()
    before = signal.signal(signal.SIGINT, ignored)
    try:
        clock.call_at(1000, lambda: os.kill(os.getpid(), signal.SIGINT))
        clock.run(clock.sleep_until(10_000))
        assert clock.now_us() >= 10_000
    finally:
        signal.signal(signal.SIGINT, before)


def test_the_paced_clock_keeps_order_and_never_runs_early() -> None:
    """In wall time, too, events run in order and not before their time."""
    clock, ran = PacedClock(), []
    for when_us in (20_000, 5_000, 10_000, 5_000):
        clock.call_at(when_us, lambda due=when_us: ran.append((due, clock.now_us() >= due)))  # type: ignore[misc]
    clock.run(clock.sleep_until(25_000))
    assert ran == [(5_000, True), (5_000, True), (10_000, True), (20_000, True)]


def test_the_paced_clock_watches_descriptors() -> None:
    """A descriptor that becomes readable wakes the clock."""
    clock, got = PacedClock(), []
    reading, writing = os.pipe()

    async def main() -> None:
        read: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        clock.watch(reading, lambda: read.set_result(os.read(reading, 10)))
        clock.call_at(2_000, lambda: print(os.write(writing, b"here")))
        got.append(await read)
        clock.unwatch(reading)

    clock.run(main())
    os.close(reading)
    os.close(writing)
    assert got == [b"here"]


@pytest.mark.parametrize("make", [VirtualClock, PacedClock], ids=["virtual", "paced"])
@pytest.mark.parametrize("handled", [False, True], ids=["left", "dealt with"])
def test_what_a_callback_raises_ends_the_run_in_order(
    make: type[VirtualClock | PacedClock], handled: bool
) -> None:
    """The main coroutine is cancelled, cleans up, and may deal with the failure; else it comes out of `run`."""
    clock, log = make(), []

    def break_down() -> None:
        raise OSError("disk full")

    async def main() -> str:
        clock.call_at(1000, break_down)
        try:
            await clock.sleep_until(5_000_000)
        except asyncio.CancelledError:
            log.append(str(clock.failure))
            if not handled:
                raise
        return "ended"

    if handled:
        assert clock.run(main()) == "ended"
    else:
        with pytest.raises(OSError, match="disk full"):
            clock.run(main())
    assert log == ["disk full"]


def test_what_a_watcher_raises_is_not_swallowed() -> None:
    """A failure in the reaction to a readable descriptor ends the run, too."""
    clock = PacedClock()
    reading, writing = os.pipe()

    def break_down() -> None:
        os.read(reading, 9)
        raise OSError("disk full")

    async def main() -> None:
        clock.watch(reading, break_down)
        os.write(writing, b"x")
        try:
            await clock.sleep_until(5_000_000)
        finally:
            clock.unwatch(reading)

    with pytest.raises(OSError, match="disk full"):
        clock.run(main())
    os.close(reading)
    os.close(writing)
