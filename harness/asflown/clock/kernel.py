"""The event queue and loop that both clocks share; they differ in how they wait, and in nothing else.

Plain callbacks are kept in one queue ordered by (flight time, running number) and run directly. Coroutines run on
an asyncio loop whose selector is that queue: when no coroutine can go on, the clock waits for what comes next.
"""

from __future__ import annotations

import asyncio
import selectors
import signal
from collections.abc import Callable, Coroutine, Mapping
from contextlib import suppress
from contextvars import Context
from types import FrameType
from typing import Any, TypeVar, TypeVarTuple, Unpack

from asflown.clock.event_queue import EventQueue, QueuedTimer

Result = TypeVar("Result")
Arguments = TypeVarTuple("Arguments")


class StoppedBySignal(BaseException):
    """Ctrl-C or SIGTERM arrived while a clock ran: not an error, and nobody's fault."""

    def __init__(self, signal_number: int) -> None:
        super().__init__(signal_number)
        self.signal_number = signal_number


def ignored(_number: int, _frame: FrameType | None) -> None:
    """The handler of a signal that is meant for another process, and that flights in this one leave alone, too.

    Not SIG_IGN, which scripts would inherit.
    """


class QueueClock:
    """Base of both clocks: a queue, a loop, and `_wait`, which a subclass supplies."""

    def __init__(self) -> None:
        self.queue = EventQueue()
        self._loop = _ClockLoop(self)
        self._stop_signal = 0
        self._may_raise = False
        self._main: asyncio.Task[Any] | None = None
        self.failure: BaseException | None = None
        """What a callback raised: `run` cancels its main coroutine for it, and raises it unless that deals with it."""
        self._loop.set_exception_handler(self._on_callback_failure)

    def now_us(self) -> int:
        """Flight time, whole microseconds."""
        raise NotImplementedError

    def _wait(self, *, block: bool) -> list[tuple[selectors.SelectorKey, int]]:
        """Runs what is due next, waiting for it when `block`; returns descriptors that became readable."""
        raise NotImplementedError

    def call_at(self, when_us: int, callback: Callable[[], None]) -> QueuedTimer:
        """Calls `callback` at `when_us`, or as soon as possible when that has passed."""
        return self.queue.push(when_us, callback)

    async def sleep_until(self, when_us: int) -> None:
        """Waits until flight time `when_us`."""
        woken: asyncio.Future[None] = self._loop.create_future()
        timer = self.call_at(when_us, lambda: None if woken.done() else woken.set_result(None))
        try:
            await woken
        finally:
            timer.cancel()

    def run(self, main: Coroutine[Any, Any, Result]) -> Result:
        """Runs `main` to its end. Raises StoppedBySignal when Ctrl-C or SIGTERM arrived, after `main` cleaned up.

        What a callback raises cancels `main`, so that it cleans up, and is raised then; `main` may instead end
        normally after looking at `failure`.
        """
        handlers = self._take_signals()
        task = self._loop.create_task(main)
        self._main = task
        try:
            return self._run_to_end(task)
        except asyncio.CancelledError:
            raise self.failure or StoppedBySignal(self._stop_signal) from None
        finally:
            for number, handler in handlers.items():
                signal.signal(number, handler)
            self.close()

    def close(self) -> None:
        """Frees a clock that was never run; `run` does so itself. Harmless when repeated."""
        self._loop.close()

    def _run_to_end(self, task: asyncio.Task[Result]) -> Result:
        heard = False
        while True:
            try:
                result = self._loop.run_until_complete(task)
            except StoppedBySignal:
                heard = not task.done()
                task.cancel()
            except Exception as error:
                if task.done():
                    raise
                self._fail(error)
            else:
                return self._unless_stopped(result, heard=heard)

    def _unless_stopped(self, result: Result, *, heard: bool) -> Result:
        """A signal that came in the last callback had nothing to cancel; whoever called `run` must hear of it."""
        if self._stop_signal and not heard:
            raise StoppedBySignal(self._stop_signal)
        return result

    def _fail(self, error: BaseException) -> None:
        self.failure = self.failure or error
        if self._main is not None:
            self._main.cancel()

    def _on_callback_failure(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """A callback that the loop itself ran (a readable descriptor) raised."""
        self._fail(context.get("exception") or RuntimeError(context["message"]))

    def _take_signals(self) -> Mapping[int, Any]:
        """Takes Ctrl-C and SIGTERM over where that is possible (the main thread); gives the old handlers back."""
        old: dict[int, Any] = {}
        with suppress(ValueError):  # not the main thread: whoever runs us there handles signals
            for number in (signal.SIGINT, signal.SIGTERM):
                if signal.getsignal(number) is not ignored:
                    old[number] = signal.signal(number, self._on_signal)
        return old

    def _on_signal(self, number: int, _frame: FrameType | None) -> None:
        self._stop_signal = number
        if self._may_raise:
            self._may_raise = False
            raise StoppedBySignal(number)

    def blocking(self, call: Callable[[], Result]) -> Result:
        """Makes a call that may block; only here may a signal interrupt, so that callbacks always run to their end."""
        self._may_raise = True
        try:
            self._check_stop()
            return call()
        finally:
            self._may_raise = False

    def _check_stop(self) -> None:
        """Raises StoppedBySignal once, between two callbacks, for a signal that came in the middle of one."""
        if self._stop_signal and not self._loop.stopping:
            self._loop.stopping = True
            raise StoppedBySignal(self._stop_signal)


class _ClockLoop(asyncio.SelectorEventLoop):
    """An asyncio loop that waits on its clock's queue."""

    def __init__(self, clock: QueueClock) -> None:
        self._clock = clock
        self.woken = False
        self.stopping = False
        self._queue_selector = _QueueSelector(self)
        super().__init__(self._queue_selector)

    def select_really(self, timeout: float | None) -> list[tuple[selectors.SelectorKey, int]]:
        """Waits in wall time, for descriptors alone."""
        return self._queue_selector.select_really(timeout)

    def selector_fileno(self) -> int:
        """The descriptor that is readable when the loop itself has something to do."""
        return self._queue_selector.fileno()

    def wait(self, *, block: bool) -> list[tuple[selectors.SelectorKey, int]]:
        """One wait of the clock."""
        return self._clock._wait(block=block)  # noqa: SLF001 - the loop is the clock's other half

    def time(self) -> float:
        """Flight time in seconds, for code that uses asyncio's own timers."""
        return self._clock.now_us() / 1e6

    def call_at(
        self,
        when: float,
        callback: Callable[[Unpack[Arguments]], object],
        *args: *Arguments,
        context: Context | None = None,
    ) -> asyncio.TimerHandle:
        """Routes asyncio's own timers (time-outs, sleeps) through the clock's queue."""
        handle = asyncio.TimerHandle(when, callback, args, self, context)

        def ring() -> None:
            if not handle.cancelled():
                self.call_soon(callback, *args, context=context)

        self._clock.call_at(round(when * 1e6), ring)
        return handle

    def call_soon(
        self,
        callback: Callable[[Unpack[Arguments]], object],
        *args: *Arguments,
        context: Context | None = None,
    ) -> asyncio.Handle:
        """Notes that a coroutine can go on, so that the wait ends."""
        self.woken = True
        return super().call_soon(callback, *args, context=context)


class _QueueSelector(selectors.DefaultSelector):
    """A selector whose waiting is the clock's."""

    def __init__(self, loop: _ClockLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Waits for descriptors and for the queue; with `timeout` 0 only looks."""
        loop = self._loop
        loop.woken = False
        return loop.wait(block=timeout is None or timeout > 0)

    def select_really(self, timeout: float | None) -> list[tuple[selectors.SelectorKey, int]]:
        """Waits in wall time for descriptors alone."""
        return super().select(timeout)
