"""Frames that come back from where they were sent: how a hub knows that it stands in a circle.

Two hubs that are joined twice, three in a ring, a plug that wires a port's output to its input: each would pass a
frame round for ever. So a hub remembers for a few seconds what it has sent to whom. A frame that arrives from somebody
to whom the very same bytes were sent is its own, come back: it goes nowhere. By that each hub passes each frame on
once, from whoever brought it first, whatever the circle looks like.

The same bytes are meant, sequence number and all. Two senders with equal ids could make equal frames by chance, one to
each side; then everybody has had that frame already. A neighbour that repacks frames is not seen through.
"""

from __future__ import annotations

GENERATION_US = 2_000_000
GENERATION_FRAMES = 16_384


class Echoes:
    """Remembers frames for one to two generations of two seconds; each party is one bit of a mask."""

    __slots__ = ("_began_us", "_new", "_old")

    def __init__(self) -> None:
        self._began_us = 0
        self._new: dict[bytes, int] = {}
        self._old: dict[bytes, int] = {}

    def sent(self, now_us: int, frame: bytes, parties: int) -> None:
        """The frame goes to `parties` now; say it before it goes, since it may be back at once."""
        if now_us - self._began_us >= GENERATION_US or len(self._new) >= GENERATION_FRAMES:
            self._turn(now_us)
        self._new[frame] = self._new.get(frame, 0) | parties

    def came_back(self, now_us: int, frame: bytes, party: int) -> bool:
        """Whether a frame that arrives from `party` was sent there a moment ago."""
        if now_us - self._began_us >= GENERATION_US:
            self._turn(now_us)
        return bool((self._new.get(frame, 0) | self._old.get(frame, 0)) & party)

    def _turn(self, now_us: int) -> None:
        stale = now_us - self._began_us >= 2 * GENERATION_US
        self._old = {} if stale else self._new
        self._new = {}
        self._began_us = now_us
