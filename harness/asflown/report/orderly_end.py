"""Ends this process in order when a signal asks for it, also where Python would have dropped the signal.

What a handler raises while a weak reference's callback or a finaliser runs is only printed by Python, and the program
goes on. Such a signal is sent once more, a moment later.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import CodeType, FrameType
from typing import TYPE_CHECKING, NoReturn

from asflown.errors import ExitCode

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

LOOK_S = 0.005
"""How often is looked whether the main thread has left the place where signals are dropped."""


def unwind(_number: int, _frame: FrameType | None) -> NoReturn:
    """SIGTERM unwinds the stack like any exception, so that captures are closed on the way out."""
    sys.exit(ExitCode.TERMINATED)


@contextmanager
def dropped_signals_again() -> Iterator[None]:
    """Within it, a SIGTERM or SIGINT whose exception Python dropped is sent to this process again."""
    before = sys.unraisablehook

    def hook(dropped: UnraisableHookArgs) -> None:
        number, here = _signal_of(dropped.exc_value), sys._getframe().f_code  # noqa: SLF001  documented as it is
        if number is None or not _start(lambda: _send_after(here, number)):
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


def _start(work: Callable[[], None]) -> bool:
    """Does it in a thread of its own; False when none can be had."""
    try:
        threading.Thread(target=work, daemon=True).start()
    except RuntimeError:
        return False
    return True


def _send_after(hook: CodeType, number: int) -> None:
    """Sends a signal when the main thread has left the hook: in there its exception would be dropped again."""
    pause = threading.Event()
    while _runs_in_main_thread(hook):
        pause.wait(LOOK_S)
    os.kill(os.getpid(), number)


def _runs_in_main_thread(code: CodeType) -> bool:
    frame = sys._current_frames().get(threading.main_thread().ident or 0)  # noqa: SLF001  as above
    while frame is not None:
        if frame.f_code is code:
            return True
        frame = frame.f_back
    return False
