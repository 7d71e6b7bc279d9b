"""Timers, waits and sending of signals, in virtual time; handlers run in the main thread at its next turn."""

from __future__ import annotations

import math
import os
import signal as _signal
from types import ModuleType
from typing import Any, Callable

from .held import Held, as_builtin
from .protocol import NEVER_US

_raise_signal = _signal.raise_signal
_STOPPING = frozenset((_signal.SIGSTOP, _signal.SIGTSTP, _signal.SIGTTIN, _signal.SIGTTOU))
"""What makes a process stand still without its knowing, and flight time with it."""


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
        _raise_signal(_signal.SIGALRM)


def hold(held: Held) -> None:
    """Signals to and from other processes of the flight go through the broker."""
    held.on_signal = _raise_signal
    real_kill, real_killpg = os.kill, os.killpg

    def kill(process: int, number: int) -> None:
        if process == os.getpid():
            _signal_self(held, number)
        elif process == -1 or not number:
            real_kill(process, number)
        else:
            _send(held, process or -os.getpgrp(), number, lambda: real_kill(process, number))

    def killpg(group: int, number: int) -> None:
        if number:
            _send(held, -(group or os.getpgrp()), number, lambda: real_killpg(group, number))
        else:
            real_killpg(group, number)

    held.replacements.put(os, "kill", as_builtin(kill, "kill"))
    held.replacements.put(os, "killpg", as_builtin(killpg, "killpg"))


def _send(held: Held, process: int, number: int, really: Callable[[], None]) -> None:
    """To a process or (negative) a group; `really` where none of this flight is meant but this one itself."""
    _refuse_stopping(held, number)
    if not held.pass_signal(process, number):
        really()
    elif process == -os.getpgrp():
        _signal_self(held, number)


def _refuse_stopping(held: Held, number: int) -> None:
    if number in _STOPPING:
        held.leave(f"sending {_signal.Signals(number).name}")


def _signal_self(held: Held, number: int) -> None:
    """A handler runs in the main thread, which another thread must not wake out of turn."""
    _refuse_stopping(held, number)
    strands = held.strands
    if not number or strands.current is strands.main:
        _raise_signal(number)
    else:
        strands.interrupts.append(lambda: _raise_signal(number))


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

    def pthread_kill(thread: int, number: int) -> None:
        _signal_self(held, number)

    replaced: dict[str, Callable[..., Any]] = {
        "alarm": lambda seconds: math.ceil(alarm.set(seconds)[0]),
        "setitimer": setitimer,
        "getitimer": getitimer,
        "pause": pause,
        "pthread_kill": pthread_kill,
        "raise_signal": lambda number: _signal_self(held, number),
        "sigtimedwait": sigtimedwait,
        "pidfd_send_signal": lambda *_: held.leave("signal.pidfd_send_signal"),
        "sigwait": lambda signals: held.leave("signal.sigwait"),
        "sigwaitinfo": lambda signals: held.leave("signal.sigwaitinfo"),
    }
    for name, function in replaced.items():
        held.replacements.put(module, name, as_builtin(function, name))


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"signal": _hold_signal}
