"""The paced clock's descriptors: who is called, when, and what happens when that goes wrong."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable

import pytest

from asflown.clock.paced import PacedClock


def run_until(
    clock: PacedClock, done: Callable[[], object], prepare: Callable[[], None] = lambda: None
) -> None:
    """Runs the clock until something is so; gives up after ten seconds of its time."""

    async def main() -> None:
        prepare()
        while not done():
            assert clock.now_us() < 10_000_000, "it never happens"
            await clock.sleep_until(clock.now_us() + 1_000)

    clock.run(main())


def test_whoever_is_readable_is_called() -> None:
    """Two descriptors, each its own callback, as often as something comes."""
    clock = PacedClock()
    heard: list[bytes] = []
    pairs = [socket.socketpair() for _ in range(2)]
    for near, _ in pairs:
        clock.watch(near.fileno(), lambda near=near: heard.append(near.recv(100)))  # type: ignore[misc]
    for n, (_, far) in enumerate(pairs):
        far.send(b"%d" % n)
    run_until(clock, lambda: len(heard) == 2)
    for near, far in pairs:
        clock.unwatch(near.fileno())
        near.close()
        far.close()
    assert sorted(heard) == [b"0", b"1"]


def test_a_callback_may_end_another_s_watch() -> None:
    """Both are readable in one round; the second is not called any more, whichever comes first."""
    clock = PacedClock()
    ends = [os.pipe() for _ in range(2)]
    called: list[int] = []

    def readable(mine: int, other: int) -> None:
        called.append(mine)
        clock.unwatch(ends[other][0])
        clock.unwatch(ends[mine][0])

    for n in (0, 1):
        os.write(ends[n][1], b".")
        clock.watch(ends[n][0], lambda n=n: readable(n, 1 - n))  # type: ignore[misc]
    run_until(clock, lambda: clock.now_us() > 20_000)
    for near, far in ends:
        os.close(near)
        os.close(far)
    assert len(called) == 1


def test_what_a_callback_raises_ends_the_run() -> None:
    """As on every clock: the main coroutine is cancelled, and the error comes out."""
    clock = PacedClock()
    near, far = os.pipe()
    os.write(far, b".")
    clock.watch(near, lambda: 1 // 0)  # type: ignore[arg-type]
    with pytest.raises(ZeroDivisionError):
        run_until(clock, lambda: False)
    os.close(near)
    os.close(far)


def test_timers_keep_their_order_while_descriptors_are_busy() -> None:
    """A descriptor that is always readable does not hold up what is due."""
    clock = PacedClock()
    near, far = os.pipe()
    os.write(far, b".")
    rounds: list[int] = []
    rung: list[int] = []
    clock.watch(near, lambda: rounds.append(1))

    def set_timers() -> None:
        for n in range(5):
            clock.call_at(1_000 * n, lambda n=n: rung.append(n))  # type: ignore[misc]

    run_until(clock, lambda: len(rung) == 5, set_timers)
    clock.unwatch(near)
    os.close(near)
    os.close(far)
    assert rung == [0, 1, 2, 3, 4]
    assert len(rounds) > 10


def test_unwatching_is_harmless_when_the_clock_is_spent() -> None:
    """Endpoints close when they like."""
    clock = PacedClock()
    near, far = os.pipe()
    clock.watch(near, lambda: None)
    run_until(clock, lambda: True)
    clock.unwatch(near)
    clock.unwatch(near)
    os.close(near)
    os.close(far)
