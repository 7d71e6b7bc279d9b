"""Threads of a held process: they pass a baton, so that one runs at a time, in an order that never changes.

A strand is a thread as the scheduler sees it. It keeps the baton until it waits; then the next that can go on gets
it, in the order in which they became able to. When none can, the process is idle and reports so. A strand that never
waits gives way whenever its time reaches the horizon.
"""

from __future__ import annotations

import _thread
import sys
import traceback
from collections import deque
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Callable

from .protocol import NEVER_US

if TYPE_CHECKING:
    from .held import Channel, Held

_real_allocate_lock = _thread.allocate_lock
Look = Callable[[], Any]


class Strand:
    """One thread: what it waits for, and the real lock that it stands at while others run."""

    __slots__ = ("baton", "channels", "deadline_us", "identity", "look", "over", "ready", "sentinels")

    def __init__(self) -> None:
        self.baton = _real_allocate_lock()
        self.baton.acquire()
        self.identity = 0
        self.channels: tuple[Channel, ...] = ()
        self.deadline_us = NEVER_US
        self.look: Look | None = None
        self.ready = True
        self.over = False
        self.sentinels: list[Any] = []
        """Locks that stand for this thread's life; released at its end."""


class Strands:
    """The scheduler of one process."""

    def __init__(self, held: Held) -> None:
        self._held = held
        self.main = self.current = Strand()
        self.main.identity = _thread.get_ident()
        self._ready: deque[Strand] = deque()
        self._parked: list[Strand] = []
        self.interrupts: deque[Callable[[], None]] = deque()
        """To be called in the main thread as soon as it runs: signals whose time has come."""
        self.alarm_us = NEVER_US
        self.on_alarm: Callable[[], None] = lambda: None

    def wait(self, channels: Iterable[Channel], deadline_us: int, look: Look | None = None) -> None:
        """The running thread waits for news in `channels`, for `look` to find something, or for the deadline."""
        me = self.current
        me.channels, me.deadline_us, me.look, me.ready = tuple(channels), deadline_us, look, False
        self._parked.append(me)
        self._hand_on(me)

    def after_fork(self) -> None:
        """Only the thread that forked goes on in the child."""
        self.main = self.current
        self._ready.clear()
        self._parked.clear()
        self.interrupts.clear()
        self.alarm_us = NEVER_US

    def pause(self) -> None:
        """The main thread waits until a signal handler has run."""
        self.wait((), NEVER_US)

    def wake(self, strand: Strand) -> None:
        """Makes a parked thread able to go on."""
        if not strand.ready:
            strand.ready = True
            self._parked.remove(strand)
            self._ready.append(strand)

    def give_way(self) -> None:
        """Lets the others run first, if any can; the running thread stays able to go on."""
        self._refresh()
        if self._ready:
            me = self.current
            self._ready.append(me)
            self._hand_on(me)
        elif self.interrupts and self.current is self.main:
            self._run_interrupts()

    def start(
        self, function: Callable[..., Any], args: Any, kwargs: Any, real_start: Callable[..., int]
    ) -> Any:
        """Starts a real thread that runs when its turn comes; returns what `real_start` returns."""
        strand = Strand()

        def run() -> None:
            strand.baton.acquire()
            strand.identity = _thread.get_ident()
            try:
                function(*args, **kwargs)
            except SystemExit:
                pass
            except BaseException:  # noqa: BLE001 - as the interpreter does for a bare thread
                traceback.print_exc()
            finally:
                self._end(strand)

        self._ready.append(strand)
        return real_start(run, ())

    def others_alive(self) -> int:
        """How many threads besides the running one have not ended."""
        return len(self._parked) + len(self._ready)

    def _end(self, strand: Strand) -> None:
        """The running thread is over: whoever waits for that can go on, and the next takes the baton."""
        strand.over = True
        for sentinel in strand.sentinels:
            sentinel.release()
        following = self._next()
        self.current = following
        following.baton.release()

    def _hand_on(self, me: Strand) -> None:
        following = self._next()
        if following is not me:
            self.current = following
            following.baton.release()
            me.baton.acquire()
        if self.interrupts and me is self.main:
            self._run_interrupts()

    def _run_interrupts(self) -> None:
        while self.interrupts:
            self.interrupts.popleft()()

    def _next(self) -> Strand:
        """The next thread that can go on, passing virtual time while none can."""
        while True:
            self._refresh()
            if self._ready:
                self._held.moved = True
                return self._ready.popleft()
            self._pass_time()

    def _refresh(self) -> None:
        """Wakes parked threads whose deadline, news or look has come, in the order in which they parked."""
        now_us = self._held.now_us
        if now_us >= self.alarm_us:
            self.alarm_us = NEVER_US
            self.interrupts.append(self.on_alarm)
        if self.interrupts and self.main in self._parked:
            self.wake(self.main)
        for strand in tuple(self._parked):
            if (
                strand.deadline_us <= now_us
                or any(channel.delivered > channel.read or channel.more for channel in strand.channels)
                or (strand.look is not None and strand.look())
            ):
                self.wake(strand)

    def _pass_time(self) -> None:
        """Everything waits: time may move to the first deadline, or until something comes."""
        deadline_us = self.alarm_us
        channels: set[int] = set()
        looks = False
        for strand in self._parked:
            deadline_us = min(deadline_us, strand.deadline_us)
            channels.update(channel.number for channel in strand.channels)
            looks = looks or strand.look is not None
        self._held.idle(channels, deadline_us, looks=looks)

    def stacks(self) -> str:
        """Where each thread stands, for a report."""
        frames = sys._current_frames()
        parts = []
        for strand in [self.current, *(other for other in self._parked if other is not self.current)]:
            frame = frames.get(strand.identity)
            if frame is not None:
                own = [
                    entry for entry in traceback.extract_stack(frame) if "asflown_held" not in entry.filename
                ]
                parts.append("".join(traceback.format_list(own[-3:])))
        return "\n".join(parts)
