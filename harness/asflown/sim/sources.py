"""Where the reports come from, and how numbers are brought into the fields of a message.

Integers are clamped into their fields, so that no estimate, however wild, can break a message.
"""

from __future__ import annotations

from dataclasses import dataclass

from asflown.sim.autopilot import Autopilot
from asflown.sim.mission_service import MissionService
from asflown.sim.motion_watch import MotionWatch
from asflown.sim.uplink import Uplink

NOT_KNOWN_U16 = 0xFFFF


@dataclass(slots=True)
class Sources:
    """Time: flight time of power-up, and Unix time of flight time 0."""

    autopilot: Autopilot
    missions: MissionService
    uplink: Uplink
    motion: MotionWatch
    release: str
    boot_us: int
    epoch_us: int
    bytewise: bool = False
    """Whether whole parameters travel byte by byte; otherwise by C cast."""

    @property
    def boot_ms(self) -> int:
        """Time since power-up."""
        return (self.autopilot.situation.now_us - self.boot_us) // 1000

    @property
    def unix_us(self) -> int:
        """Unix time now."""
        return self.epoch_us + self.autopilot.situation.now_us


def within(value: float, low: int, high: int) -> int:
    """Rounded and clamped."""
    return min(max(round(value), low), high)


def i16(value: float) -> int:
    """A signed field of 16 bits."""
    return within(value, -0x8000, 0x7FFF)


def u16(value: float) -> int:
    """An unsigned field of 16 bits, below the value that means 'not known'."""
    return within(value, 0, 0xFFFE)


def u32(value: float) -> int:
    """An unsigned field of 32 bits, below the value that means 'not known'."""
    return within(value, 0, 0xFFFF_FFFE)


def i32(value: float) -> int:
    """A signed field of 32 bits."""
    return within(value, -0x8000_0000, 0x7FFF_FFFF)


def percent(share: float) -> int:
    """Per cent of a share from 0 to 1."""
    return within(share * 100, 0, 100)
