"""How long to wait before a connection is tried again."""

from __future__ import annotations

FIRST_US = 250_000
LONGEST_US = 4_000_000


class Backoff:
    """Waits that double from a quarter of a second to four seconds, and start afresh after a success."""

    __slots__ = ("_next_us",)

    def __init__(self) -> None:
        self._next_us = FIRST_US

    def next_us(self) -> int:
        """How long to wait now, microseconds."""
        wait_us = self._next_us
        self._next_us = min(2 * wait_us, LONGEST_US)
        return wait_us

    def succeeded(self) -> None:
        """The connection stands."""
        self._next_us = FIRST_US
