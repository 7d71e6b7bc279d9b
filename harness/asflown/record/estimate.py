"""The track by the vehicle's own account, from the messages it sent.

Positions and attitude are placed at the time the vehicle stamped them with, everything else at its arrival. The
vehicle is the system whose heartbeat names an autopilot; ground programs and cameras on the link are not it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asflown.errors import FolderProblem
from asflown.frames import FloatArray, TangentPlane, circular_mean
from asflown.record.decode import Index, columns
from asflown.record.mode_flags import AVAILABLE_MODES, CURRENT_MODE, mode_flags
from asflown.record.series import Anchors, Series, Track, attitude_signals, motion_signals, series
from asflown.record.vehicle_time import VehicleTime, vehicle_time
from asflown.scenario.model import Home

_HEARTBEAT, _SYS_STATUS, _ATTITUDE, _COMMAND_ACK, _EXTENDED_SYS_STATE = 0, 1, 30, 77, 245
_MANUAL_CONTROL = 69
_LOCAL_POSITION_NED, _GLOBAL_POSITION_INT = 32, 33
_NO_AUTOPILOT = 8
_ARMED_FLAG = 128
_ARM_DISARM, _ACCEPTED = 400, 0
_ON_GROUND = 1
_UNKNOWN_VOLTAGE_MV, _UNKNOWN_PER_CENT = 65_535, -1

HEADING_SPAN_S = 1.0
"""The start heading is the mean over this long before arming."""


@dataclass(frozen=True, slots=True)
class _Telemetry:
    """The messages of one vehicle."""

    index: Index
    system: int
    component: int
    epoch_us: int
    clock: VehicleTime

    def table(self, message_id: int) -> npt.NDArray[np.void]:
        return columns(self.index, message_id, system=self.system, component=self.component)

    def arrived_s(self, table: npt.NDArray[np.void]) -> FloatArray:
        seconds: FloatArray = (table["time_us"] - self.epoch_us) / 1e6
        return seconds

    def stamped_s(self, table: npt.NDArray[np.void]) -> FloatArray:
        return self.clock.flight_time_s(table["time_us"], table["time_boot_ms"])


def estimate_track(index: Index, epoch_us: int, home: Home | None) -> Track:
    """The track of the vehicle whose telemetry is in `index`; `epoch_us` is the Unix time of flight time 0.

    Raises FolderProblem when the capture has no vehicle or no positions.
    """
    telemetry = _telemetry(index, epoch_us)
    local, everywhere = telemetry.table(_LOCAL_POSITION_NED), telemetry.table(_GLOBAL_POSITION_INT)
    if len(local):
        positions = _stamped(telemetry, local, ("x", "y", "z"))
        velocities = _stamped(telemetry, local, ("vx", "vy", "vz"))
    else:
        positions = _about_first(telemetry, everywhere)
        velocities = _stamped(telemetry, everywhere, ("vx", "vy", "vz"), 0.01)
    if not len(positions):
        raise FolderProblem(
            f"{index.path} has no positions", "Record LOCAL_POSITION_NED or GLOBAL_POSITION_INT"
        )
    armed = _armed(telemetry)
    attitude = _stamped(telemetry, telemetry.table(_ATTITUDE), ("roll", "pitch", "yaw"))
    armings_s = _armings_s(telemetry, armed)
    anchors = anchors_of(positions, attitude, next(iter(armings_s), None), "the vehicle's own estimate")
    signals = motion_signals(positions, velocities, anchors) | attitude_signals(attitude)
    signals |= {"armed": armed, "on_ground": _on_ground(telemetry)} | _battery(telemetry) | _modes(telemetry)
    signals |= {"messages_missing": _missing(telemetry), "sticks": _sticks(telemetry)}
    return Track(
        source="estimate",
        positions=positions,
        velocities=velocities,
        about_home=_about_home(telemetry, everywhere, home, anchors),
        signals={name: signal for name, signal in signals.items() if len(signal)},
        anchors=anchors,
        end_s=max(float(signal.time_s[-1]) for signal in signals.values() if len(signal)),
        armings_s=armings_s,
    )


def geodetic_positions(index: Index, epoch_us: int) -> Series:
    """Latitude and longitude in degrees and altitude above mean sea level in metres, as the vehicle reported them.

    Empty where it reported none. Raises FolderProblem as `estimate_track` does.
    """
    telemetry = _telemetry(index, epoch_us)
    table = telemetry.table(_GLOBAL_POSITION_INT)
    return series(telemetry.stamped_s(table), np.stack(_geodetic(table), axis=-1))


def _telemetry(index: Index, epoch_us: int) -> _Telemetry:
    heartbeats = np.flatnonzero(index.message_id == _HEARTBEAT)
    of_autopilot = columns(index, _HEARTBEAT)["autopilot"] != _NO_AUTOPILOT
    senders = index.system[heartbeats].astype(np.int64) * 256 + index.component[heartbeats]
    numbers, counts = np.unique(senders[of_autopilot], return_counts=True)
    if not len(numbers):
        raise FolderProblem(f"{index.path} has no heartbeat of an autopilot", "Grade a capture of a vehicle")
    system, component = divmod(int(numbers[np.argmax(counts)]), 256)
    stamped = [
        columns(index, message_id, system=system, component=component)
        for message_id in (_LOCAL_POSITION_NED, _GLOBAL_POSITION_INT, _ATTITUDE)
    ]
    clock = vehicle_time(stamped, epoch_us)
    if clock is None:
        raise FolderProblem(
            f"{index.path} has no positions", "Record LOCAL_POSITION_NED or GLOBAL_POSITION_INT"
        )
    return _Telemetry(index, system, component, epoch_us, clock)


def _stamped(
    telemetry: _Telemetry, table: npt.NDArray[np.void], names: tuple[str, str, str], to_si: float = 1.0
) -> Series:
    values = np.stack([table[name].astype(np.float64) * to_si for name in names], axis=-1)
    return series(telemetry.stamped_s(table), values)


def _geodetic(table: npt.NDArray[np.void]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Latitude and longitude in degrees, altitude in metres."""
    return table["lat"] / 1e7, table["lon"] / 1e7, table["alt"] / 1e3


def _about_first(telemetry: _Telemetry, table: npt.NDArray[np.void]) -> Series:
    """Global positions on the tangent plane at the first of them."""
    if not len(table):
        return Series(np.empty(0), np.empty((0, 3)))
    latitude_deg, longitude_deg, altitude_m = _geodetic(table)
    plane = TangentPlane(float(latitude_deg[0]), float(longitude_deg[0]), float(altitude_m[0]))
    values = plane.to_ned_array(latitude_deg, longitude_deg, altitude_m)
    return series(telemetry.stamped_s(table), values)


def _about_home(
    telemetry: _Telemetry, table: npt.NDArray[np.void], home: Home | None, anchors: Anchors
) -> Series | None:
    """Global positions about the scenario's home, with heights above where the vehicle armed."""
    if home is None or not len(table):
        return None
    latitude_deg, longitude_deg, altitude_m = _geodetic(table)
    plane = TangentPlane(home.latitude_deg, home.longitude_deg, home.altitude_m)
    positions = series(
        telemetry.stamped_s(table), plane.to_ned_array(latitude_deg, longitude_deg, altitude_m)
    )
    if not len(positions):
        return None
    positions.values[:, 2] -= _last_before(positions, anchors.at_s)[2]
    return positions


def _armed(telemetry: _Telemetry) -> Series:
    table = telemetry.table(_HEARTBEAT)
    return series(telemetry.arrived_s(table), (table["base_mode"] & _ARMED_FLAG != 0).astype(np.float64))


def _on_ground(telemetry: _Telemetry) -> Series:
    table = telemetry.table(_EXTENDED_SYS_STATE)
    table = table[table["landed_state"] != 0]
    return series(telemetry.arrived_s(table), (table["landed_state"] == _ON_GROUND).astype(np.float64))


def _battery(telemetry: _Telemetry) -> dict[str, Series]:
    table = telemetry.table(_SYS_STATUS)
    charge = table[table["battery_remaining"] != _UNKNOWN_PER_CENT]
    voltage = table[table["voltage_battery"] != _UNKNOWN_VOLTAGE_MV]
    return {
        "battery": series(telemetry.arrived_s(charge), charge["battery_remaining"] / 100.0),
        "voltage": series(telemetry.arrived_s(voltage), voltage["voltage_battery"] / 1000.0),
    }


def _modes(telemetry: _Telemetry) -> dict[str, Series]:
    current = telemetry.table(CURRENT_MODE)
    return mode_flags(current, telemetry.table(AVAILABLE_MODES), telemetry.arrived_s(current))


def _missing(telemetry: _Telemetry) -> Series:
    """For each message of the vehicle, how many are missing before it, by the sequence numbers."""
    index = telemetry.index
    own = (index.system == telemetry.system) & (index.component == telemetry.component)
    arrived_s, sequence = (index.time_us[own] - telemetry.epoch_us) / 1e6, index.sequence[own]
    return series(arrived_s[1:], (np.diff(sequence) - np.uint8(1)).astype(np.float64))


def _sticks(telemetry: _Telemetry) -> Series:
    """When MANUAL_CONTROL was seen, whoever sent it."""
    table = columns(telemetry.index, _MANUAL_CONTROL)
    return series(telemetry.arrived_s(table), np.ones(len(table)))


def _armings_s(telemetry: _Telemetry, armed: Series) -> tuple[float, ...]:
    """When the vehicle armed: at the accepted command where it is seen, else at the heartbeat that says so."""
    acks = telemetry.table(_COMMAND_ACK)
    accepted = acks[(acks["command"] == _ARM_DISARM) & (acks["result"] == _ACCEPTED)]
    seen_s = telemetry.arrived_s(accepted)
    armings_s: list[float] = []
    for rise in np.flatnonzero(np.diff(armed.values) > 0).tolist():
        before_s, after_s = float(armed.time_s[rise]), float(armed.time_s[rise + 1])
        within = seen_s[(seen_s > before_s) & (seen_s <= after_s)]
        armings_s.append(float(within[-1]) if len(within) else after_s)
    return tuple(armings_s)


def anchors_of(positions: Series, attitude: Series, arming_s: float | None, whose: str) -> Anchors:
    """The start point and heading at arming; at the first position where arming was not seen."""
    at_s = float(positions.time_s[0]) if arming_s is None else arming_s
    north_m, east_m, down_m = _last_before(positions, at_s)
    headings = attitude.between(at_s - HEADING_SPAN_S, at_s).values[:, 2]
    if not len(headings):
        headings = attitude.values[:1, 2]
    when = f"at {at_s:.1f} s" if arming_s is None else f"at arming ({at_s:.1f} s)"
    seen = "; arming was not seen" if arming_s is None else ""
    return Anchors(
        at_s,
        (float(north_m), float(east_m), float(down_m)),
        circular_mean(headings.tolist()),
        f"start point and start heading are {whose} {when}{seen}",
    )


def _last_before(positions: Series, at_s: float) -> FloatArray:
    """The last position at or before `at_s`, or the first one."""
    number = int(np.searchsorted(positions.time_s, at_s, side="right")) - 1
    found: FloatArray = positions.values[max(0, number)]
    return found
