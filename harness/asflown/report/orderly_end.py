"""Ends this process in order when a signal asks for it, also where Python would have dropped the signal.

What a handler raises while a weak reference's callback or a finaliser runs is only printed by Python, and the program
goes on. Such a signal is sent once more, a moment later.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, NoReturn

from asflown.errors import ExitCode

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

LATER_S = 0.005
"""Long enough for the callback that dropped it to be over."""


def unwind(_number: int, _frame: FrameType | None) -> NoReturn:
    """SIGTERM unwinds the stack like any exception, so that captures are closed on the way out."""
    sys.exit(ExitCode.TERMINATED)


@contextmanager
def dropped_signals_again() -> Iterator[None]:
    """Within it, a SIGTERM or SIGINT whose exception Python dropped is sent to this process again."""
    before = sys.unraisablehook

    def hook(dropped: UnraisableHookArgs) -> None:
        number = _signal_of(dropped.exc_value)
        if number is None or not _send_later(number):
            before(dropped)

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = before


def _signal_of(dropped: BaseException | None) -> int | None:
    if isinstance(dropped, KeyboardInterrupt):
        return signal.SIGINT
    if isinstance(dropped, SystemExit) and dropped.code == ExitCode.TERMINATED:
        return signal.SIGTERM
    return None


def _send_later(number: int) -> bool:
    """Not at once: the handler would run within the hook, and be dropped again. False when no thread can be had."""
    timer = threading.Timer(LATER_S, os.kill, (os.getpid(), number))
    timer.daemon = True
    try:
        timer.start()
    except RuntimeError:
        return False
    return True
