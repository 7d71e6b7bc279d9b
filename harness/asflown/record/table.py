"""One track as a table: a row for each position, a column for each quantity, with unit and frame in its name.

Positions are where the vehicle reported them, and nowhere else: a gap in the capture is a gap in the rows. What has
a rate of its own (attitude, battery, flags) is taken as last known at each row, and is not a number before.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from asflown.errors import FolderProblem
from asflown.frames import FloatArray, TangentPlane
from asflown.record import decode, folder
from asflown.record.estimate import geodetic_positions
from asflown.record.series import Series, Source, Track
from asflown.record.track import load_track

HELD: dict[str, str] = {
    "roll": "roll_rad",
    "pitch": "pitch_rad",
    "heading": "heading_rad",
    "tilt": "tilt_rad",
    "battery": "battery_share",
    "voltage": "voltage_v",
    "on_ground": "on_ground",
    "armed": "armed",
}
"""Signals with a rate of their own, and their columns; angles are clockwise from north, right and up positive."""


@dataclass(frozen=True, slots=True)
class TrackTable:
    """The columns of one track, in order; all are float64 of one length."""

    name: str
    source: Source
    epoch_us: int
    """Unix time of flight time 0, microseconds."""
    columns: dict[str, FloatArray]
    anchors: str
    """Which start point and heading the relative columns are about."""

    def has_places(self) -> bool:
        """Whether it is known where on earth the vehicle was."""
        return "latitude_deg" in self.columns


def track_table(place: Path, source: Source = "estimate") -> TrackTable:
    """The table of a flight's folder or any tlog. Raises FolderProblem when there is no track in it."""
    track = load_track(place, source)
    time_s = track.positions.time_s
    columns: dict[str, FloatArray] = {"time_s": time_s}
    columns |= _named(track.positions.values, "north_m", "east_m", "down_m")
    columns |= _named(_at(track.velocities, time_s), *_VELOCITIES)
    ahead = track.in_frame("start-heading")
    assert ahead is not None  # only geodetic paths can be out of reach
    columns |= _named(ahead.values, "forward_m", "right_m", "height_m")
    epoch_us, places = _places(place, track, source)
    if places is not None and len(places):
        columns |= _named(_at(places, time_s), "latitude_deg", "longitude_deg", "altitude_msl_m")
    for signal, column in HELD.items():
        if signal in track.signals:
            columns[column] = _last_known(track.signals[signal], time_s)
    plain = place.name if place.is_dir() else place.stem
    # XML has no control characters
    name = "".join(letter if letter.isprintable() else "\ufffd" for letter in plain)
    return TrackTable(name, source, epoch_us, columns, track.anchors.says)


_VELOCITIES = ("velocity_north_m_s", "velocity_east_m_s", "velocity_down_m_s")


def _named(values: FloatArray, *names: str) -> dict[str, FloatArray]:
    return dict(zip(names, values.T, strict=True))


def _at(of: Series, time_s: FloatArray) -> FloatArray:
    """Values on straight lines between the samples; not a number before the first and behind the last."""
    if not len(of):
        return np.full((len(time_s), 3), np.nan)
    columns = [np.interp(time_s, of.time_s, column, np.nan, np.nan) for column in of.values.T]
    return np.stack(columns, axis=-1)


def _last_known(of: Series, time_s: FloatArray) -> FloatArray:
    number = np.searchsorted(of.time_s, time_s, side="right") - 1
    known: FloatArray = np.where(number >= 0, of.values[np.maximum(number, 0)], np.nan)
    return known


def _places(place: Path, track: Track, source: Source) -> tuple[int, Series | None]:
    """Unix time of flight time 0, and latitude, longitude and altitude where they are known."""
    if not place.is_dir():
        index = decode.index(place)
        epoch_us = int(index.time_us[0]) if len(index) else 0
        return epoch_us, geodetic_positions(index, epoch_us)
    manifest = folder.read_manifest(place)
    epoch_us = manifest.clock.epoch_us
    if source == "estimate":
        return epoch_us, geodetic_positions(decode.index(place / folder.VEHICLE_TLOG), epoch_us)
    try:
        home = manifest.start["home"]
        plane = TangentPlane(home["latitude_deg"], home["longitude_deg"], home["altitude_m"])
    except (KeyError, TypeError) as error:
        raise FolderProblem(
            f"the manifest in {place} does not say where home was", "Export the estimate"
        ) from error
    rows = [plane.to_geodetic(*ned) for ned in track.positions.values.tolist()]
    return epoch_us, Series(track.positions.time_s, np.array(rows))
