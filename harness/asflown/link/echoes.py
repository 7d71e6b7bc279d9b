"""Frames that come round again: how a hub knows that it stands in a circle.

Two hubs that are joined twice, three in a ring, a plug that wires a port's output to its input, somebody else's
splitter: each would pass a frame round for ever. So a hub remembers for a few seconds which frames it has had, and from
whom. The same bytes, sequence number and all, are a copy, and go nowhere,

- when they come from anybody else than who brought them first;
- when they come from the same party, and its sender has since gone on to later numbers, or less than 10 ms have passed.

So every hub passes each frame on once, whatever the circle looks like. A sender that does not count its frames (equal
bytes again and again) is passed on all the same, up to a hundred times a second. Numbers begin anew after 256: bytes
that are equal because of that come from the same party and lie ahead of its last number, so they are no copy. What
remains: two parties with equal ids that make the same frame at the same time are heard once, and both get the answer.
A neighbour that repacks frames is not seen through.
"""

from __future__ import annotations

from asflown.link.sequences import Place, SequenceWatch

GENERATION_US = 2_000_000
GENERATION_FRAMES = 16_384
SOONEST_REPEAT_US = 10_000

OWN = 0
"""The source of frames that the hub made itself."""


_SOURCES = 1 << 16


class Echoes:
    """Remembers frames for one to two generations of two seconds each. Sources are numbers from -1 up.

    Source and time are kept in one number: thousands of small objects would give the garbage collector work to do,
    and frames would wait for it. Every frame passes here, so it is one call.
    """

    __slots__ = ("_began_us", "_new", "_old")

    def __init__(self) -> None:
        self._began_us = 0
        self._new: dict[bytes, int] = {}
        self._old: dict[bytes, int] = {}

    def is_new(self, now_us: int, frame: bytes, source: int, sequences: SequenceWatch) -> bool:
        """Whether a frame from `source` is no copy; it is remembered then. `sequences` is that source's."""
        if now_us - self._began_us >= GENERATION_US or len(self._new) >= GENERATION_FRAMES:
            self._turn(now_us)
        last = self._new.get(frame)
        if last is None:
            last = self._old.get(frame)
        if last is not None and _is_copy(last, now_us, source, sequences.place(frame)):
            return False
        self._new[frame] = now_us * _SOURCES + source % _SOURCES
        return True

    def remember_own(self, now_us: int, frame: bytes) -> None:
        """A frame that the hub made itself."""
        self._new[frame] = now_us * _SOURCES + OWN

    def _turn(self, now_us: int) -> None:
        stale = now_us - self._began_us >= 2 * GENERATION_US
        self._old = {} if stale else self._new
        self._new = {}
        self._began_us = now_us


def _is_copy(last: int, now_us: int, source: int, place: Place) -> bool:
    """Whether bytes that were here before, at `last`, are a copy when they come from `source` now."""
    at_us, first_source = divmod(last, _SOURCES)
    if first_source != source % _SOURCES or place is Place.BEHIND:
        return True
    return place is Place.SAME and now_us - at_us < SOONEST_REPEAT_US
