"""Which frame goes up to the vehicle next when the radio cannot take them all.

The order is pilot (commands, then sticks), guard, commands and parameters, set-points, the rest. A level is served
only when those above it are empty; within a level the parties take turns, and each party's frames keep their order.
Every party has a bounded share of every level, so one that floods crowds out nobody else. Every frame put in comes
out, or is counted under exactly one reason why not.

A pilot's sticks are MANUAL_CONTROL and RC_CHANNELS_OVERRIDE from a pilot or a station. From a script they are
set-points: a script does not outrank the guard. Commands are a pilot's when they come from an endpoint that was
attached as one. HEARTBEAT goes with the commands, because a vehicle that misses it takes the link for lost.

What has waited too long is dropped, and counted as that: a command that arrives when nobody waits for its answer any
more can do harm. Its sender repeats it, or knows that it failed.

Of MANUAL_CONTROL and set-points a later one makes an earlier one void, and takes its place. A vehicle owes a pilot
fresh sticks, not all of them.
"""

from __future__ import annotations

from collections import deque
from enum import IntEnum
from typing import Literal

from asflown.link import wire

Source = Literal["script", "station", "pilot", "guard", "harness"]


class Level(IntEnum):
    """The levels, first served first."""

    PILOT_COMMAND = 0
    PILOT = 1
    GUARD = 2
    COMMAND = 3
    SET_POINT = 4
    REST = 5

    @property
    def word(self) -> str:
        """As it stands in counters and events."""
        return _WORDS[self]


_WORDS = {
    Level.PILOT_COMMAND: "pilot_command",
    Level.PILOT: "pilot",
    Level.GUARD: "guard",
    Level.COMMAND: "command",
    Level.SET_POINT: "set_point",
    Level.REST: "rest",
}

FRAMES_AT_MOST = {
    Level.PILOT_COMMAND: 16,
    Level.PILOT: 4,
    Level.GUARD: 64,
    Level.COMMAND: 128,
    Level.SET_POINT: 16,
    Level.REST: 128,
}
"""How many frames of one party may wait at a level. Sticks: few, since it is their age that matters."""

LONGEST_WAIT_US = {
    Level.PILOT_COMMAND: 2_000_000,
    Level.PILOT: 500_000,
    Level.GUARD: 5_000_000,
    Level.COMMAND: 5_000_000,
    Level.SET_POINT: 1_000_000,
    Level.REST: 10_000_000,
}
"""How old a frame may get while it waits."""

MANUAL_CONTROL, RC_CHANNELS_OVERRIDE = 69, 70
STICKS = (MANUAL_CONTROL, RC_CHANNELS_OVERRIDE)
_HEARTBEAT = 0
_SET_POINTS = (
    82,  # SET_ATTITUDE_TARGET
    84,  # SET_POSITION_TARGET_LOCAL_NED
    86,  # SET_POSITION_TARGET_GLOBAL_INT
    139,  # SET_ACTUATOR_CONTROL_TARGET
)
_COMMANDS = (
    _HEARTBEAT,
    11,  # SET_MODE
    20,  # PARAM_REQUEST_READ
    21,  # PARAM_REQUEST_LIST
    23,  # PARAM_SET
    75,  # COMMAND_INT
    76,  # COMMAND_LONG
    77,  # COMMAND_ACK
    80,  # COMMAND_CANCEL
    320,  # PARAM_EXT_REQUEST_READ
    321,  # PARAM_EXT_REQUEST_LIST
    323,  # PARAM_EXT_SET
)
_PILOT_COMMANDS = (11, 75, 76)
"""SET_MODE, COMMAND_INT, COMMAND_LONG."""
_LEVEL_OF_MESSAGE = {
    **dict.fromkeys(_COMMANDS, Level.COMMAND),
    **dict.fromkeys((*_SET_POINTS, *STICKS), Level.SET_POINT),
}
_LATEST_WINS = (*_SET_POINTS, MANUAL_CONTROL)
"""Not RC_CHANNELS_OVERRIDE: it may leave channels as an earlier one set them."""


_WITH_LATEST = (Level.PILOT, Level.SET_POINT)


def classify(frame: bytes, source: Source) -> Level:
    """The level of a frame that comes from `source`."""
    if source == "guard":
        return Level.GUARD
    message = wire.message_id(frame)
    if source in {"station", "pilot"} and message in STICKS:
        return Level.PILOT
    if source == "pilot" and message in _PILOT_COMMANDS:
        return Level.PILOT_COMMAND
    return _LEVEL_OF_MESSAGE.get(message, Level.REST)


def is_set_point(frame: bytes) -> bool:
    """Whether a frame tells the vehicle where to be, how fast, or how tilted."""
    return wire.message_id(frame) in _SET_POINTS


class _Share:
    """What waits of one party at one level, in order. A key that is there already keeps its place."""

    __slots__ = ("frames", "number")

    def __init__(self) -> None:
        self.frames: dict[object, tuple[bytes, int]] = {}
        """Frame, and when it was put in."""
        self.number = 0

    def key(self, level: Level, frame: bytes) -> object:
        """Equal for frames of which the later makes the earlier void."""
        message = wire.message_id(frame)
        if level in _WITH_LATEST and message in _LATEST_WINS:
            return message, wire.system_id(frame), wire.component_id(frame), wire.target_of(frame)
        self.number += 1
        return self.number

    def take_first(self) -> bytes:
        """Takes the frame that has waited for longest."""
        return self.frames.pop(next(iter(self.frames)))[0]

    def first_put_us(self) -> int:
        """When the frame that leaves next was put in."""
        return next(iter(self.frames.values()))[1]


class UplinkQueue:
    """Frames on their way up, of all parties. A party is any number; parties take turns in the order they came."""

    def __init__(self) -> None:
        self._shares: dict[Level, dict[int, _Share]] = {level: {} for level in Level}
        self._turns: dict[Level, deque[int]] = {level: deque() for level in Level}
        self._waiting = 0
        self.taken = dict.fromkeys(Level, 0)
        """Frames put in, by level."""
        self.sent = dict.fromkeys(Level, 0)
        """Frames that came out."""
        self.superseded = dict.fromkeys(Level, 0)
        """Sticks and set-points that a later one replaced before they came out."""
        self.dropped = dict.fromkeys(Level, 0)
        """Frames for which there was no room, or whose party was cut off."""
        self.expired = dict.fromkeys(Level, 0)
        """Frames that waited for too long."""

    def __len__(self) -> int:
        return self._waiting

    def put(self, party: int, level: Level, frame: bytes, now_us: int = 0) -> bool:
        """Takes a frame on. False when a frame was dropped for want of room: of sticks the oldest, else this one.

        `now_us` is what `expire` counts from.
        """
        self.taken[level] += 1
        shares = self._shares[level]
        share = shares.get(party)
        if share is None:
            share = shares[party] = _Share()
        if not share.frames:
            self._turns[level].append(party)
        key = share.key(level, frame)
        if key in share.frames:
            self.superseded[level] += 1
            share.frames[key] = frame, now_us
            return True
        full = len(share.frames) >= FRAMES_AT_MOST[level]
        if full:
            self.dropped[level] += 1
            if level is not Level.PILOT:
                return False
            share.take_first()
            self._waiting -= 1
        share.frames[key] = frame, now_us
        self._waiting += 1
        return not full

    def pop(self) -> bytes:
        """The frame to send next. Raises IndexError when nothing waits."""
        for level, turns in self._turns.items():
            if turns:
                party = turns.popleft()
                share = self._shares[level][party]
                frame = share.take_first()
                if share.frames:
                    turns.append(party)
                self._waiting -= 1
                self.sent[level] += 1
                return frame
        raise IndexError("nothing waits")

    def expire(self, now_us: int) -> list[tuple[int, Level]]:
        """Drops what would leave next and has waited for too long; returns party and level of each frame."""
        gone: list[tuple[int, Level]] = []
        for level, shares in self._shares.items():
            put_before_us = now_us - LONGEST_WAIT_US[level]
            for party, share in shares.items():
                while share.frames and share.first_put_us() < put_before_us:
                    share.take_first()
                    gone.append((party, level))
                    if not share.frames:
                        self._turns[level].remove(party)
        for _, level in gone:
            self.expired[level] += 1
        self._waiting -= len(gone)
        return gone

    def passed(self, level: Level) -> None:
        """Counts a frame that went straight through because nothing waited and the way was free."""
        self.taken[level] += 1
        self.sent[level] += 1

    def purge(self, party: int) -> list[Level]:
        """Drops everything of a party that is gone or cut off; returns the level of each frame."""
        purged: list[Level] = []
        for level in Level:
            share = self._shares[level].pop(party, None)
            if share is not None and share.frames:
                self._turns[level].remove(party)
                self.dropped[level] += len(share.frames)
                purged += [level] * len(share.frames)
        self._waiting -= len(purged)
        return purged

    def counters(self) -> dict[str, int]:
        """Frames by level: `pilot.taken`, `pilot.sent`, `pilot.dropped`, `set_point.superseded` and so on."""
        counted: dict[str, int] = {}
        for level in Level:
            counted[f"{level.word}.taken"] = self.taken[level]
            counted[f"{level.word}.sent"] = self.sent[level]
            counted[f"{level.word}.dropped"] = self.dropped[level]
            counted[f"{level.word}.expired"] = self.expired[level]
        for level in _WITH_LATEST:
            counted[f"{level.word}.superseded"] = self.superseded[level]
        return counted
