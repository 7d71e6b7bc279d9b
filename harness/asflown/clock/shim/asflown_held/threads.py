"""`_thread`, `threading` and `queue`, so that threads started by any of them pass the baton.

Up to CPython 3.12 a thread's life is a lock that its end releases; from 3.13 on it is a handle. Both are held.
"""

from __future__ import annotations

import _thread
import sys
from types import ModuleType
from typing import Any, Callable

from .held import Held, as_builtin
from .locks import lock_class, rlock_class


def hold(held: Held) -> None:
    """Replaces locks and thread starts in `_thread`; `threading` takes them from there."""
    lock = lock_class(held)
    names: dict[str, Any] = {
        "allocate_lock": lock,
        "allocate": lock,
        "lock": lock,
        "RLock": rlock_class(held, lock),
        "start_new_thread": _starter(held),
        "_set_sentinel": _sentinel_maker(held, lock),
    }
    names["start_new"] = names["start_new_thread"]
    if hasattr(_thread, "start_joinable_thread"):
        names.update(_joinable(held, lock))
    for name, replacement in names.items():
        held.replacements.put(_thread, name, replacement)


def _starter(held: Held) -> Callable[..., Any]:
    real_start = _thread.start_new_thread

    def start_new_thread(function: Any, args: Any, kwargs: Any = None) -> Any:
        return held.strands.start(function, args, kwargs or {}, real_start)

    return as_builtin(start_new_thread, "start_new_thread")


def _sentinel_maker(held: Held, lock: Any) -> Callable[[], Any]:
    def set_sentinel() -> Any:
        sentinel = lock()
        held.strands.current.sentinels.append(_ReleaseOnce(sentinel))
        return sentinel

    return as_builtin(set_sentinel, "_set_sentinel")


class _ReleaseOnce:
    """Releases a lock that may have been released already."""

    def __init__(self, lock: Any) -> None:
        self._lock = lock

    def release(self) -> None:
        if self._lock.locked():
            self._lock.release()


def _joinable(held: Held, lock: Any) -> dict[str, Any]:
    """CPython 3.13 and newer: handles that can be joined."""
    alive: dict[Any, None] = {}
    main_identity = _thread.get_ident()

    class _ThreadHandle:
        def __init__(self) -> None:
            self.ident = 0
            self._over = lock()
            self._over.acquire()

        def is_done(self) -> bool:
            return not self._over.locked()

        def join(self, timeout: Any = None) -> None:
            seconds = -1 if timeout is None or timeout < 0 else timeout
            if self._over.acquire(True, seconds):
                self._over.release()

        def _set_done(self) -> None:
            if self._over.locked():
                self._over.release()

        def release(self) -> None:
            alive.pop(self, None)
            self._set_done()

    real_start = _thread.start_new_thread

    def start_joinable_thread(function: Any, handle: Any = None, daemon: bool = True) -> Any:
        handle = handle or _ThreadHandle()
        if not daemon:
            alive[handle] = None

        def begin() -> None:
            handle.ident = _thread.get_ident()
            held.strands.current.sentinels.append(handle)
            function()

        held.strands.start(begin, (), {}, real_start)
        return handle

    def make_thread_handle(identity: int) -> Any:
        handle = _ThreadHandle()
        handle.ident = identity
        if identity != main_identity:
            handle._set_done()
        return handle

    def shutdown() -> None:
        for handle in list(alive):
            handle.join()

    return {
        "_ThreadHandle": _ThreadHandle,
        "start_joinable_thread": as_builtin(start_joinable_thread, "start_joinable_thread"),
        "_make_thread_handle": as_builtin(make_thread_handle, "_make_thread_handle"),
        "_shutdown": as_builtin(shutdown, "_shutdown"),
    }


def _hold_queue(held: Held, module: ModuleType) -> None:
    """The C queue waits below Python; the Python one is built on held locks."""
    module.SimpleQueue = module._PySimpleQueue  # type: ignore[attr-defined]
    c_module = sys.modules.get("_queue")
    if c_module is not None:
        c_module.SimpleQueue = module._PySimpleQueue  # type: ignore[attr-defined]


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"queue": _hold_queue}
