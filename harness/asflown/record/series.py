"""What a track is made of: time series, where they are anchored, and the track itself.

Times are flight time in seconds and rise strictly within a series. Positions are north-east-down metres. Nothing
is filled in between samples: a gap in the capture is a gap in the series.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from asflown.frames import FloatArray, to_forward_right

Source = Literal["estimate", "truth"]
PathFrame = Literal["start-heading", "north-east", "geodetic"]


@dataclass(frozen=True, slots=True)
class Series:
    """Values over time: `time_s` has shape (n,), `values` (n,) or (n, 3), all finite."""

    time_s: FloatArray
    values: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)

    def between(self, begin_s: float, end_s: float) -> Series:
        """The samples from `begin_s` to `end_s`, both included."""
        first, last = np.searchsorted(self.time_s, begin_s), np.searchsorted(self.time_s, end_s, side="right")
        return Series(self.time_s[first:last], self.values[first:last])


LONGEST_S = 1e9
"""Thirty years: a flight time beyond it is a damaged stamp, and whole microseconds would not hold it."""


def series(time_s: FloatArray, values: FloatArray) -> Series:
    """A series of samples in any order: sorted by time, without repeats and what is of no possible value or time."""
    finite = (np.abs(time_s) <= LONGEST_S) & np.isfinite(values).all(axis=tuple(range(1, values.ndim)))
    times, kept = np.unique(time_s[finite], return_index=True)
    return Series(times, values[finite][kept])


@dataclass(frozen=True, slots=True)
class Anchors:
    """What the track is laid on: the start point (in the axes of the positions) and the heading there."""

    at_s: float
    """Flight time of arming, or of the first sample where arming was not seen."""
    start_ned_m: tuple[float, float, float]
    heading_rad: float
    says: str
    """One sentence: whose start point and heading, and taken when."""


@dataclass(frozen=True, slots=True)
class Track:
    """What the vehicle did, by its own account (`estimate`) or in truth."""

    source: Source
    positions: Series
    """North, east, down in metres about the local origin of the source, shape (n, 3)."""
    velocities: Series
    """North, east, down in m/s, shape (n, 3)."""
    about_home: Series | None
    """North, east, down about the scenario's home; None when the source does not say where on earth it was."""
    signals: Mapping[str, Series]
    """By the names of scenario.signal_names, as far as the capture has them."""
    anchors: Anchors
    end_s: float
    """Flight time of the last sample of anything."""
    armings_s: tuple[float, ...] = ()
    """Flight times at which the vehicle was seen to arm, in order; the anchors are those of the first."""

    def in_frame(self, frame: PathFrame) -> Series | None:
        """Positions in the axes of an expected path: x, y, up in metres from its start, shape (n, 3).

        In `geodetic` they lie about the scenario's home, with heights above the start point; None when the
        source does not say where on earth it was.
        """
        if frame == "geodetic":
            return None if self.about_home is None else _up(self.about_home)
        north_m, east_m, down_m = (self.positions.values - np.array(self.anchors.start_ned_m)).T
        if frame == "start-heading":
            north_m, east_m = to_forward_right(north_m, east_m, self.anchors.heading_rad)
        return Series(self.positions.time_s, np.stack([north_m, east_m, -down_m], axis=-1))


def _up(positions: Series) -> Series:
    return Series(positions.time_s, positions.values * np.array([1.0, 1.0, -1.0]))


def motion_signals(positions: Series, velocities: Series, anchors: Anchors) -> dict[str, Series]:
    """The signals that follow from where the vehicle was and how it moved."""
    north_m, east_m, down_m = (positions.values - np.array(anchors.start_ned_m)).T
    at_s, moving_at_s, velocity = positions.time_s, velocities.time_s, velocities.values
    return {
        "height": Series(at_s, -down_m),
        "distance": Series(at_s, np.hypot(north_m, east_m)),
        "north": Series(at_s, north_m),
        "east": Series(at_s, east_m),
        "speed": Series(moving_at_s, np.hypot(velocity[:, 0], velocity[:, 1])),
        "climb_rate": Series(moving_at_s, -velocity[:, 2]),
    }


def attitude_signals(roll_pitch_yaw: Series) -> dict[str, Series]:
    """The signals that follow from roll, pitch and yaw (radians, shape (n, 3))."""
    time_s = roll_pitch_yaw.time_s
    roll_rad, pitch_rad, yaw_rad = roll_pitch_yaw.values.T
    upright = np.clip(np.cos(roll_rad) * np.cos(pitch_rad), -1.0, 1.0)
    return {
        "roll": Series(time_s, roll_rad),
        "pitch": Series(time_s, pitch_rad),
        "tilt": Series(time_s, np.arccos(upright)),
        "heading": Series(time_s, np.mod(yaw_rad, 2 * np.pi)),
    }
