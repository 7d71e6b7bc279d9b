"""When bytes leave over a medium of limited rate."""

from __future__ import annotations

_US_PER_S = 1_000_000


class Air:
    """When bytes leave at a limited rate, after a token bucket of a given depth.

    Exact: time is counted in whole fractions 1/rate of a microsecond. In any time t, at most depth + rate * t bytes
    leave, to which a frame counts when its last byte has left.
    """

    __slots__ = ("_burst", "_due", "_rate")

    def __init__(self, rate_bytes_per_s: int | None, burst_bytes: int = 0) -> None:
        self._rate = rate_bytes_per_s or 0
        self._burst = burst_bytes * _US_PER_S
        self._due = 0
        """When everything so far would have left at the bare rate, in 1/rate microseconds."""

    def leaves_us(self, now_us: int, size_bytes: int) -> int:
        """Takes `size_bytes` on; when the last of them has left."""
        if not self._rate:
            return now_us
        self._due = max(self._due, now_us * self._rate) + size_bytes * _US_PER_S
        return max(now_us, -((self._burst - self._due) // self._rate))

    def waiting_bytes(self, now_us: int) -> int:
        """How many bytes have been taken on and have not left, rounded up."""
        ahead = self._due - self._burst - now_us * self._rate
        return max(0, -(-ahead // _US_PER_S))

    def free_us(self, now_us: int) -> int:
        """When all that was taken on has left: from then on the next frame need not wait."""
        if not self._rate:
            return now_us
        return max(now_us, -((self._burst - self._due) // self._rate))
