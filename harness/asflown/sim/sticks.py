"""The pilot's sticks as they come over the link: MANUAL_CONTROL and RC_CHANNELS_OVERRIDE.

Sticks are four numbers from -1 to 1: forward, right, up, clockwise. They count while they are fresh; their age is
what matters. Channel order and directions of RC_CHANNELS_OVERRIDE (1 roll, right high; 2 pitch, forward low;
3 throttle, up high; 4 yaw, clockwise high; 1000 to 2000, 1500 neutral) are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

FRESH_US = 500_000
DEAD_BAND = 0.06
_NOT_USED = 0x7FFF
_LEAVE = 0xFFFF
_RELEASE = 0
_NEUTRAL_US, _SPAN_US = 1500, 500


@dataclass(slots=True)
class Deflection:
    """Where the sticks are."""

    forward: float = 0.0
    right: float = 0.0
    up: float = 0.0
    clockwise: float = 0.0

    @property
    def centred(self) -> bool:
        """Whether all are within the dead band."""
        return all(abs(axis) <= DEAD_BAND for axis in (self.forward, self.right, self.up, self.clockwise))


class Sticks:
    """What was last heard of the sticks."""

    def __init__(self) -> None:
        self.deflection = Deflection()
        self.channels = [_RELEASE] * 18
        """Microseconds as overridden; 0 for a channel that is not."""
        self.heard_us: int | None = None
        self.off_centre = 0
        """Messages in a row with a stick off centre."""
        self.locked = False
        """Set by a failsafe: they count again once they were centred."""
        self.flown = False
        """Whether they have moved the craft since position hold was entered."""

    def manual(self, axes: Sequence[int], now_us: int, *, up_neutral: int) -> None:
        """MANUAL_CONTROL: x, y, z, r in thousandths; `up_neutral` is the z of a centred stick, 0 or 500."""
        x, y, z, r = (0.0 if axis == _NOT_USED else axis / 1000 for axis in axes)
        up = 0.0 if axes[2] == _NOT_USED else (z - up_neutral / 1000) * (2.0 if up_neutral else 1.0)
        self._note(Deflection(_unit(x), _unit(y), _unit(up), _unit(r)), now_us)

    def override(self, values: Sequence[int], now_us: int) -> None:
        """RC_CHANNELS_OVERRIDE: 0 gives a channel back (9 to 18: 65534 does, and 0 leaves it), 65535 leaves it."""
        for index, value in enumerate(values[: len(self.channels)]):
            release = _RELEASE if index < 8 else _LEAVE - 1
            leave = value == _LEAVE or (index >= 8 and value == 0)
            if not leave:
                self.channels[index] = _RELEASE if value == release else value
        roll, pitch, throttle, yaw = (_axis(channel) for channel in self.channels[:4])
        if any(self.channels[:4]):
            self._note(Deflection(-pitch, roll, throttle, yaw), now_us)
        else:
            self.heard_us = None

    def fresh(self, now_us: int) -> bool:
        """Whether they count now."""
        return self.heard_us is not None and now_us - self.heard_us <= FRESH_US

    def steering(self, now_us: int) -> bool:
        """Whether they ask for anything now."""
        return self.fresh(now_us) and not self.locked and not self.deflection.centred

    def _note(self, deflection: Deflection, now_us: int) -> None:
        self.off_centre = 0 if deflection.centred else self.off_centre + 1
        self.locked = self.locked and not deflection.centred
        self.deflection, self.heard_us = deflection, now_us


def _unit(value: float) -> float:
    return min(1.0, max(-1.0, value))


def _axis(channel_us: int) -> float:
    return 0.0 if channel_us == _RELEASE else _unit((channel_us - _NEUTRAL_US) / _SPAN_US)
