"""Timers and waits of `signal`, in virtual time; handlers run in the main thread at its next turn, as they do."""

from __future__ import annotations

import math
import signal as _signal
import sys
from types import ModuleType
from typing import Any, Callable

from .held import Held, as_builtin
from .protocol import NEVER_US


class Alarm:
    """The process's real-time timer (ITIMER_REAL, which `alarm` shares), on virtual time."""

    def __init__(self, held: Held) -> None:
        self._held = held
        self.due_us = NEVER_US
        self.interval_us = 0

    def set(self, seconds: float, interval: float = 0.0) -> tuple[float, float]:
        """Sets or (0) clears the timer; gives what was left of the old one, and its interval."""
        now_us = self._held.now_us
        left = 0.0 if self.due_us >= NEVER_US else max(0, self.due_us - now_us) / 1e6
        old = (left, self.interval_us / 1e6)
        self.due_us = now_us + max(1, int(seconds * 1e6)) if seconds > 0 else NEVER_US
        self.interval_us = int(interval * 1e6)
        self._held.strands.alarm_us = self.due_us
        return old

    def ring(self) -> None:
        """The timer is due: its handler runs."""
        self.due_us = self.due_us + self.interval_us if self.interval_us else NEVER_US
        self._held.strands.alarm_us = self.due_us
        run_handler(_signal.SIGALRM)


def run_handler(number: int) -> None:
    """What a signal does in this process: its Python handler, or its default."""
    handler = _signal.getsignal(number)
    if callable(handler):
        handler(number, sys._getframe())
    elif handler != _signal.SIG_IGN:
        _signal.raise_signal(number)


def hold(held: Held) -> None:
    """An interrupt at the time limit is what SIGINT does."""
    held.on_interrupt = lambda: run_handler(_signal.SIGINT)


def _hold_signal(held: Held, module: ModuleType) -> None:
    alarm = Alarm(held)
    held.strands.on_alarm = alarm.ring

    def setitimer(which: int, seconds: float, interval: float = 0.0) -> tuple[float, float]:
        if which != _signal.ITIMER_REAL:
            held.leave("signal.setitimer of CPU time")
        return alarm.set(seconds, interval)

    def getitimer(which: int) -> tuple[float, float]:
        left, interval = alarm.set(0)
        alarm.set(left, interval)
        return left, interval

    def pause() -> None:
        held.strands.pause()

    def sigtimedwait(signals: Any, timeout: float) -> Any:
        held.sleep_until(held.now_us + int(timeout * 1e6))

    replaced: dict[str, Callable[..., Any]] = {
        "alarm": lambda seconds: math.ceil(alarm.set(seconds)[0]),
        "setitimer": setitimer,
        "getitimer": getitimer,
        "pause": pause,
        "sigtimedwait": sigtimedwait,
        "sigwait": lambda signals: held.leave("signal.sigwait"),
        "sigwaitinfo": lambda signals: held.leave("signal.sigwaitinfo"),
    }
    for name, function in replaced.items():
        held.replacements.put(module, name, as_builtin(function, name))


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"signal": _hold_signal}
