"""Loads the track of a flight: from its folder, or from any tlog.

`estimate` is what the vehicle reported, `truth` what the simulation knows. Flight time 0 is the beginning of the
flight; in a tlog from elsewhere it is the first frame.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from asflown.errors import FolderProblem
from asflown.record import decode, folder, truth
from asflown.record.estimate import anchors_of, estimate_track
from asflown.record.series import (
    Anchors,
    PathFrame,
    Series,
    Source,
    Track,
    attitude_signals,
    motion_signals,
    series,
)
from asflown.scenario.model import Home

__all__ = ["Anchors", "PathFrame", "Series", "Source", "Track", "load_track"]


def load_track(place: Path, source: Source = "estimate", home: Home | None = None) -> Track:
    """The track of the flight whose folder or tlog is `place`; `home` is the scenario's, for geodetic paths.

    Raises FolderProblem when there is nothing to make a track of.
    """
    if source == "truth":
        return _truth_track(place)
    if place.is_dir():
        epoch_us = folder.read_manifest(place).clock.epoch_us
        index = decode.index(place / folder.VEHICLE_TLOG)
    else:
        index = decode.index(place)
        epoch_us = int(index.time_us[0]) if len(index) else 0
    return estimate_track(index, epoch_us, home)


def _truth_track(place: Path) -> Track:
    if not place.is_dir():
        raise FolderProblem(f"{place} is a tlog and has no truth", "Take its estimate")
    columns = dict(zip(truth.TRUTH_COLUMNS, truth.read(place).T, strict=True))
    time_s = columns["time_s"]
    if not len(time_s):
        raise FolderProblem(f"the truth in {place} is empty", "Grade a flight that was flown")

    def gathered(*names: str) -> Series:
        return series(time_s, np.stack([columns[name] for name in names], axis=-1))

    positions = gathered("north_m", "east_m", "down_m")
    velocities = gathered("velocity_north_m_s", "velocity_east_m_s", "velocity_down_m_s")
    attitude = gathered("roll_rad", "pitch_rad", "yaw_rad")
    flags = {name: series(time_s, columns[name]) for name in ("armed", "on_ground", "battery")}
    armed = np.flatnonzero(flags["armed"].values > 0)
    arming_s = float(flags["armed"].time_s[armed[0]]) if len(armed) else None
    anchors = anchors_of(positions, attitude, arming_s, "the true ones")
    return Track(
        source="truth",
        positions=positions,
        velocities=velocities,
        about_home=positions,
        signals=motion_signals(positions, velocities, anchors) | attitude_signals(attitude) | flags,
        anchors=anchors,
        end_s=float(time_s[-1]),
    )
