"""Flight time of what the vehicle stamped itself, whenever it arrived.

The vehicle's clock counts milliseconds since it booted. Its offset to flight time is the median over all stamped
messages, so that a late message does not move the rest. A clock that goes back has been rebooted and gets an
offset of its own from there on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray

_REBOOT_MS = 1000
"""A step back by less is a message that was overtaken."""

Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class VehicleTime:
    """Offsets of the vehicle's clock, one for each time it was booted."""

    boot_seen_us: Whole
    """Arrival (Unix microseconds) of the first message after each boot."""
    offset_us: FloatArray
    """What is added to microseconds since that boot to give flight time."""

    def flight_time_s(self, arrived_us: Whole, boot_ms: Whole) -> FloatArray:
        """Flight times in seconds of messages by their arrival and their own stamps."""
        boot = np.maximum(np.searchsorted(self.boot_seen_us, arrived_us, side="right") - 1, 0)
        flight_us: FloatArray = boot_ms * 1000.0 + self.offset_us[boot]
        return flight_us / 1e6


def vehicle_time(stamped: Sequence[npt.NDArray[np.void]], epoch_us: int) -> VehicleTime | None:
    """The vehicle's clock from tables with `time_us` and `time_boot_ms`; None when all of them are empty."""
    arrived_us = np.concatenate([np.empty(0, np.int64), *(table["time_us"] for table in stamped)])
    boot_ms = np.concatenate([np.empty(0, np.int64), *(table["time_boot_ms"] for table in stamped)])
    if not len(arrived_us):
        return None
    order = np.argsort(arrived_us, kind="stable")
    arrived_us, boot_ms = arrived_us[order], boot_ms[order].astype(np.int64)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(boot_ms) < -_REBOOT_MS) + 1])
    offsets_us = np.split(arrived_us - epoch_us - boot_ms * 1000, starts[1:])
    return VehicleTime(arrived_us[starts], np.array([np.median(part) for part in offsets_us]))
