"""Which frames are missing, from the sequence numbers of the vehicle's components."""

from __future__ import annotations

from asflown.link.survey.ears import Heard
from asflown.link.wire import frames_lost

_LATE_AFTER_GAPS = 256


def gaps_before(frames: list[Heard]) -> list[int]:
    """For each frame, how many of the same sender are missing right before it; 0 for a sender's first.

    Numbers count to 255 and begin anew. Where a sender was silent for so long that it must have gone round, as many
    whole rounds are added as its usual pace suggests. A number that lies behind is a frame that was overtaken.
    """
    last: dict[int, Heard] = {}
    paces = _paces(frames)
    gaps = []
    for frame in frames:
        before = last.get(frame.sender)
        if before is None:
            gaps.append(0)
        else:
            missing = frames_lost(before.sequence, frame.sequence)
            elapsed_us = frame.time_us - before.time_us
            expected = elapsed_us / paces[frame.sender] - 1
            rounds = max(0, round((expected - missing) / _LATE_AFTER_GAPS))
            if missing > _LATE_AFTER_GAPS // 2 and expected < missing / 4:
                gaps.append(0)
                continue
            gaps.append(missing + _LATE_AFTER_GAPS * rounds)
        last[frame.sender] = frame
    return gaps


def lost_between(frames: list[Heard]) -> int:
    """How many are missing between the first and the last of these."""
    return sum(gaps_before(frames))


def _paces(frames: list[Heard]) -> dict[int, float]:
    """The mean time between two frames of each sender, missing ones counted, microseconds.

    Pairs with more than half a round between their numbers are left out: they were overtaken, or much is missing.
    """
    last: dict[int, Heard] = {}
    elapsed_us: dict[int, int] = {}
    count: dict[int, int] = {}
    for frame in frames:
        sender, before = frame.sender, last.get(frame.sender)
        last[sender] = frame
        missing = 0 if before is None else frames_lost(before.sequence, frame.sequence)
        if before is not None and missing <= _LATE_AFTER_GAPS // 2:
            elapsed_us[sender] = elapsed_us.get(sender, 0) + frame.time_us - before.time_us
            count[sender] = count.get(sender, 0) + 1 + missing
    return {sender: max(1.0, elapsed_us.get(sender, 0) / count.get(sender, 1)) for sender in last}
