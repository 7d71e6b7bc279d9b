"""`select`, `poll` and `epoll`, and the waits of `threading` that a single thread can enter, in virtual time.

What has been delivered lies in the real descriptors, so a real look with no time-out tells what is ready; only the
waiting in between is virtual.
"""

from __future__ import annotations

import selectors
from collections.abc import Iterable
from types import ModuleType
from typing import Any, Callable

from .held import Channel, Held, as_builtin
from .protocol import NEVER_US


def hold(held: Held, select: ModuleType) -> None:
    """Replaces the waiting functions of `select`, and of `selectors` if that is loaded."""
    real_select = select.select

    def held_select(reading: Any, writing: Any, failing: Any, timeout: float | None = None) -> Any:
        reading = list(reading)
        descriptors = [_descriptor(entry) for entry in reading]
        return wait_for(
            held,
            descriptors,
            lambda: _any_or_none(real_select(reading, writing, failing, 0)),
            None if timeout is None else timeout * 1e6,
        ) or ([], [], [])

    held.replacements.put(select, "select", as_builtin(held_select, "select"))
    selectors.SelectSelector._select = select.select  # type: ignore[attr-defined]
    held.replacements.put(select, "poll", _poll_class(held, select.poll, 1e3))
    selectors.PollSelector._selector_cls = select.poll  # type: ignore[attr-defined]
    if hasattr(select, "epoll"):
        held.replacements.put(select, "epoll", _poll_class(held, select.epoll, 1e6))
        selectors.EpollSelector._selector_cls = select.epoll  # type: ignore[attr-defined]


def wait_for(
    held: Held, descriptors: Iterable[int], look: Callable[[], Any], timeout_us: float | None
) -> Any:
    """Looks until something is ready or the time-out has passed; None then."""
    descriptors = tuple(descriptors)
    channels = [held.channels[descriptor] for descriptor in descriptors if descriptor in held.channels]
    foreign = look if len(channels) < len(descriptors) else None
    deadline_us = NEVER_US if timeout_us is None or timeout_us < 0 else held.now_us + int(timeout_us)
    while True:
        _make_sure(held, channels)
        ready = look()
        if ready:
            return ready
        if any(channel.delivered > channel.read for channel in channels):
            continue  # a stream's bytes were counted out to us and are still on their way through the kernel
        if held.now_us >= deadline_us:
            held.charge_empty_look()
            return None
        held.strands.wait(channels, deadline_us, foreign)


def _make_sure(held: Held, channels: list[Channel]) -> None:
    for channel in channels:
        held.available(channel)


def _any_or_none(lists: Any) -> Any:
    return lists if any(lists) else None


def _descriptor(entry: Any) -> int:
    return entry if isinstance(entry, int) else int(entry.fileno())


def _poll_class(held: Held, real_class: Any, timeout_unit_us: float) -> Any:
    """A class that is used like `real_class` (poll takes milliseconds, epoll seconds), waiting in virtual time."""

    class HeldPoll:
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            self._real = real_class(*args, **kwargs)
            self._watched: dict[int, None] = {}

        def register(self, entry: Any, *mask: Any, **named: Any) -> Any:
            self._watched[_descriptor(entry)] = None
            return self._real.register(entry, *mask, **named)

        def unregister(self, entry: Any) -> Any:
            self._watched.pop(_descriptor(entry), None)
            return self._real.unregister(entry)

        def poll(self, timeout: float | None = None, *rest: Any, **named: Any) -> Any:
            timeout_us = None if timeout is None else timeout * timeout_unit_us
            return wait_for(held, self._watched, lambda: self._real.poll(0, *rest, **named), timeout_us) or []

        def __enter__(self) -> Any:
            return self

        def __exit__(self, *exception: object) -> None:
            self._real.close()

        def __getattr__(self, name: str) -> Any:
            return getattr(self._real, name)

    HeldPoll.__name__ = HeldPoll.__qualname__ = getattr(real_class, "__name__", "poll")
    return HeldPoll
