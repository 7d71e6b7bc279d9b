"""Flight time of what the vehicle stamped itself, whenever it arrived.

The vehicle's clock counts milliseconds since it booted. Its offset to flight time is the median over all stamped
messages, so that a late message does not move the rest. A clock that goes back has been rebooted and gets an
offset of its own from there on. A clock that runs faster or slower than the harness's is set right, where that shows
clearly in the messages that were least delayed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.frames import FloatArray

_REBOOT_MS = 1000
"""A step back by less is a message that was overtaken."""

DRIFT_BIN_MS, FEWEST_BINS = 10_000, 6
MOST_BINS = 720
"""All pairs of bins are looked at: beyond two hours of a capture the bins are made longer instead of more."""
SHOWS_US = 10_000.0
LARGEST_DRIFT = 0.01
"""A clock that is off by more than 1 % is no clock: then it is the delay that grows."""

Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class VehicleTime:
    """Offsets of the vehicle's clock, one for each time it was booted."""

    boot_seen_us: Whole
    """Arrival (Unix microseconds) of the first message after each boot."""
    offset_us: FloatArray
    """What is added to microseconds since that boot, set right by `drift`, to give flight time."""
    drift: FloatArray
    """By how much of itself the vehicle's clock is too slow; 0 where that cannot be told."""

    def flight_time_s(self, arrived_us: Whole, boot_ms: Whole) -> FloatArray:
        """Flight times in seconds of messages by their arrival and their own stamps."""
        boot = np.maximum(np.searchsorted(self.boot_seen_us, arrived_us, side="right") - 1, 0)
        flight_us: FloatArray = boot_ms * 1000.0 * (1 + self.drift[boot]) + self.offset_us[boot]
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
    parts = list(zip(np.split(arrived_us - epoch_us, starts[1:]), np.split(boot_ms, starts[1:]), strict=True))
    drift = np.array([_drift(flight_us - ms * 1000, ms) for flight_us, ms in parts])
    offset_us = [
        float(np.median(flight_us - ms * 1000.0 * (1 + own)))
        for (flight_us, ms), own in zip(parts, drift.tolist(), strict=True)
    ]
    return VehicleTime(arrived_us[starts], np.array(offset_us), drift)


def _drift(offset_us: Whole, boot_ms: Whole) -> float:
    """How fast the least offset grows, as a share of the time that passes; 0 where it does not show.

    The least offset in each DRIFT_BIN_MS is that of the message least delayed; their slope is the median over all pairs
    (Theil, 1950; Sen, 1968). It shows when it moves the ends by more than SHOWS_US, and by five times what the bins lie
    off the line.
    """
    span_ms = int(boot_ms.max() - boot_ms.min())
    number = (boot_ms - boot_ms.min()) // max(DRIFT_BIN_MS, span_ms // MOST_BINS)
    order = np.lexsort((offset_us, number))
    _, first = np.unique(number[order], return_index=True)
    at_us, least_us = boot_ms[order][first] * 1000.0, offset_us[order][first].astype(np.float64)
    if len(first) < FEWEST_BINS:
        return 0.0
    later, earlier = np.tril_indices(len(first), -1)
    slope = float(np.median((least_us[later] - least_us[earlier]) / (at_us[later] - at_us[earlier])))
    rest_us = least_us - slope * at_us
    off_us = float(np.median(np.abs(rest_us - np.median(rest_us))))
    moves_us = abs(slope) * float(at_us[-1] - at_us[0])
    shows = moves_us > max(SHOWS_US, 5 * off_us) and abs(slope) < LARGEST_DRIFT
    return slope if shows else 0.0
