"""Waits for a person, or for anything else that blocks, without holding up a paced clock."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from asflown.clock.base import Clock

Result = TypeVar("Result")
LOOK_US = 50_000


async def aside(clock: Clock, call: Callable[[], Result]) -> Result:
    """What `call` returns, made in a thread of its own; when nobody waits any more, its thread ends with the process.

    Raises what `call` raised.
    """
    results: list[Result] = []
    failures: list[BaseException] = []

    def work() -> None:
        try:
            results.append(call())
        except BaseException as failure:  # noqa: BLE001 - raised where it is waited for
            failures.append(failure)

    thread = threading.Thread(target=work, daemon=True, name="aside")
    thread.start()
    while thread.is_alive():
        await clock.sleep_until(clock.now_us() + LOOK_US)
    if failures:
        raise failures[0]
    return results[0]
