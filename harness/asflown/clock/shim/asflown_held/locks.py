"""Locks whose waiting is virtual; conditions, events, semaphores, barriers and queues are built on them."""

from __future__ import annotations

import _thread
from collections import deque
from typing import Any

from .held import Held
from .protocol import NEVER_US

TIMEOUT_MAX = _thread.TIMEOUT_MAX


def lock_class(held: Held) -> Any:
    """A class used like `_thread.allocate_lock`; waiting threads get the lock in the order in which they came."""
    strands = held.strands

    class lock:  # noqa: N801 - the name that it has in `_thread`
        __slots__ = ("__weakref__", "_locked", "_waiters")
        __module__ = "_thread"  # some ask, to be sure of what they have

        def __init__(self) -> None:
            self._locked = False
            self._waiters: deque[Any] = deque()

        def acquire(self, blocking: bool = True, timeout: float = -1) -> bool:
            if not self._locked:
                self._locked = True
                return True
            if not blocking:
                _refuse_timeout(timeout)
                held.charge_failed_lock()
                return False
            return self._wait(_deadline_us(held, timeout))

        def _wait(self, deadline_us: int) -> bool:
            ticket = [strands.current, False]
            self._waiters.append(ticket)
            try:
                while not ticket[1]:
                    if held.now_us >= deadline_us:
                        return False
                    strands.wait((), deadline_us)
                return True
            finally:
                if not ticket[1]:
                    self._waiters.remove(ticket)

        def release(self) -> None:
            if not self._locked:
                raise RuntimeError("release unlocked lock")
            if self._waiters:
                ticket = self._waiters.popleft()
                ticket[1] = True
                strands.wake(ticket[0])
            else:
                self._locked = False

        def locked(self) -> bool:
            return self._locked

        def _at_fork_reinit(self) -> None:
            self.__init__()  # type: ignore[misc]

        def __enter__(self) -> bool:
            return self.acquire()

        def __exit__(self, *exception: object) -> None:
            self.release()

        acquire_lock, release_lock, locked_lock = acquire, release, locked

    return lock


def rlock_class(held: Held, lock: Any) -> Any:
    """A class used like `_thread.RLock`."""
    strands = held.strands

    class RLock:
        __slots__ = ("__weakref__", "_block", "_count", "_owner")
        __module__ = "_thread"

        def __init__(self) -> None:
            self._block = lock()
            self._owner: Any | None = None
            self._count = 0

        def acquire(self, blocking: bool = True, timeout: float = -1) -> bool:
            if self._owner is strands.current:
                self._count += 1
                return True
            if not self._block.acquire(blocking, timeout):
                return False
            self._owner, self._count = strands.current, 1
            return True

        def release(self) -> None:
            if self._owner is not strands.current:
                raise RuntimeError("cannot release un-acquired lock")
            self._count -= 1
            if not self._count:
                self._owner = None
                self._block.release()

        def locked(self) -> bool:
            return bool(self._block.locked())

        def __enter__(self) -> bool:
            return self.acquire()

        def __exit__(self, *exception: object) -> None:
            self.release()

        # What threading.Condition asks of a lock

        def _is_owned(self) -> bool:
            return self._owner is strands.current

        def _recursion_count(self) -> int:
            return self._count if self._owner is strands.current else 0

        def _release_save(self) -> Any:
            state = (self._count, self._owner)
            self._count, self._owner = 0, None
            self._block.release()
            return state

        def _acquire_restore(self, state: Any) -> None:
            self._block.acquire()
            self._count, self._owner = state

        def _at_fork_reinit(self) -> None:
            self.__init__()  # type: ignore[misc]

    return RLock


def _deadline_us(held: Held, timeout: float) -> int:
    if timeout == -1:
        return NEVER_US
    if timeout < 0:
        raise ValueError("timeout value must be a non-negative number")
    if timeout > TIMEOUT_MAX:
        raise OverflowError("timeout value is too large")
    return held.now_us + int(timeout * 1e6)


def _refuse_timeout(timeout: float) -> None:
    if timeout != -1:
        raise ValueError("can't specify a timeout for a non-blocking call")
