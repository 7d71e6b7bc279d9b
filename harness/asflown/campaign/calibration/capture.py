"""What a calibration reads of a capture: motion, attitude, throttle and voltage on one even time base, while airborne.

Any tlog of a vehicle will do. Everything is the vehicle's own estimate; what a capture does not have is None.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from asflown.errors import FolderProblem
from asflown.frames import FloatArray
from asflown.record import decode, folder
from asflown.record.series import Series, Track, series
from asflown.record.track import load_track
from asflown.sim.atmosphere import STANDARD_GRAVITY_M_S2, density_kg_m3, pressure_pa, temperature_k

LEAST_HEIGHT_M = 1.5
"""Lower down the ground carries a part of the weight."""
STEEPEST_RAD = 1.0
SEA_LEVEL_DENSITY_KG_M3 = 1.225
_HIGHRES_IMU, _SCALED_IMU = 105, 26
_VFR_HUD, _GLOBAL_POSITION_INT, _SET_POINT, _FOLLOWED = 74, 33, 84, 85
_LOCAL_NED = 1
_SETTLING_S = 1.0
_LONGEST_GAP_S = 1.0
_SLOWEST_ATTITUDE_HZ = 4.0


@dataclass(frozen=True, slots=True)
class SetPoints:
    """What was asked of the vehicle: positions and velocities in its local frame, NaN where not asked for."""

    time_s: FloatArray
    position_m: FloatArray
    velocity_m_s: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True, slots=True)
class Capture:
    """One flight while it was airborne, n samples `step_s` apart."""

    name: str
    airframe: str | None
    """Of the built-in vehicle that flew, where a manifest says so."""
    flown_on: str
    """Date (UTC), or ''."""
    step_s: float
    time_s: FloatArray
    rotation: FloatArray
    """From body axes (forward-right-down) to north-east-down, shape (n, 3, 3)."""
    velocity_m_s: FloatArray
    """North, east, down, shape (n, 3)."""
    throttle: FloatArray | None
    """From 0 to 1."""
    throttle_series: Series
    """The same as it came."""
    upright_force: Series
    """What the accelerometer feels along the body's axis (down positive), m/s^2, as it came; empty without one."""
    voltage_v: FloatArray | None
    density_ratio: float
    """Of the standard atmosphere at the altitude flown, to that at sea level."""
    set_points: SetPoints
    track: Track

    @property
    def throttle_hz(self) -> float:
        """How often throttle comes; 0 when it does not."""
        return _rate_hz(self.throttle_series)

    @property
    def upright_hz(self) -> float:
        """How often the accelerometer is told; 0 when it is not."""
        return _rate_hz(self.upright_force)

    @property
    def airborne_s(self) -> float:
        """How long it flew above LEAST_HEIGHT_M."""
        return len(self.time_s) * self.step_s


def read_capture(place: Path) -> Capture:
    """The flight in a folder or tlog. Raises FolderProblem for one that nothing can be learnt from."""
    track = load_track(place)
    index, epoch_us, airframe, flown_on = _source(place)
    signals = track.signals
    if "roll" not in signals or _rate_hz(signals["roll"]) < _SLOWEST_ATTITUDE_HZ:
        raise FolderProblem(
            f"{place} has no ATTITUDE at {_SLOWEST_ATTITUDE_HZ:g} Hz or more",
            "Ask the vehicle for it (SET_MESSAGE_INTERVAL)",
        )
    step_s = float(np.median(np.diff(signals["roll"].time_s)))
    time_s = _airborne(place, track, step_s)
    hud = decode.columns(index, _VFR_HUD)
    throttle = series((hud["time_us"] - epoch_us) / 1e6, hud["throttle"] / 100.0)
    return Capture(
        name=place.name,
        airframe=airframe,
        flown_on=flown_on,
        step_s=step_s,
        time_s=time_s,
        rotation=_rotation(track, time_s),
        velocity_m_s=_on(track.velocities, time_s),
        throttle=_on(throttle, time_s) if len(throttle) > 1 and np.ptp(throttle.values) > 0 else None,
        throttle_series=throttle,
        upright_force=_upright_force(index, epoch_us),
        voltage_v=_on(signals["voltage"], time_s) if "voltage" in signals else None,
        density_ratio=_density_ratio(index),
        set_points=_set_points(place, index, epoch_us),
        track=track,
    )


def _source(place: Path) -> tuple[decode.Index, int, str | None, str]:
    if not place.is_dir():
        index = decode.index(place)
        epoch_us = int(index.time_us[0]) if len(index) else 0
        return index, epoch_us, None, str(np.datetime64(epoch_us, "us"))[:10]
    recorded = folder.read_manifest(place)
    built_in = recorded.vehicle.airframe if recorded.vehicle.kind == "built-in" else None
    index = decode.index(place / folder.VEHICLE_TLOG)
    return index, recorded.clock.epoch_us, built_in, recorded.started_utc[:10]


def _rate_hz(of: Series) -> float:
    return 1.0 / float(np.median(np.diff(of.time_s))) if len(of) > 2 else 0.0


def _airborne(place: Path, track: Track, step_s: float) -> FloatArray:
    height = track.signals["height"]
    high = np.flatnonzero(height.values > LEAST_HEIGHT_M)
    if len(high) < 2:
        raise FolderProblem(f"{place} never flies above {LEAST_HEIGHT_M:g} m", "Take a flight that does")
    begin_s, end_s = height.time_s[high[0]] + _SETTLING_S, height.time_s[high[-1]] - _SETTLING_S
    inside = track.velocities.between(begin_s, end_s)
    if len(inside) < 2 or np.diff(inside.time_s).max() > _LONGEST_GAP_S:
        raise FolderProblem(f"{place} has gaps in its positions", "Take a capture over a better link")
    time_s: FloatArray = np.arange(begin_s, end_s, step_s)
    return time_s


def _on(of: Series, time_s: FloatArray) -> FloatArray:
    """Values on straight lines between samples."""
    if of.values.ndim == 1:
        return np.interp(time_s, of.time_s, of.values)
    return np.stack([np.interp(time_s, of.time_s, column) for column in of.values.T], axis=-1)


def _rotation(track: Track, time_s: FloatArray) -> FloatArray:
    roll, pitch, yaw = (
        np.interp(time_s, one.time_s, np.unwrap(one.values))
        for one in (track.signals[name] for name in ("roll", "pitch", "heading"))
    )
    (sr, cr), (sp, cp), (sy, cy) = ((np.sin(angle), np.cos(angle)) for angle in (roll, pitch, yaw))
    rows = (
        (cp * cy, sr * sp * cy - cr * sy, cr * sp * cy + sr * sy),
        (cp * sy, sr * sp * sy + cr * cy, cr * sp * sy - sr * cy),
        (-sp, sr * cp, cr * cp),
    )
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def _upright_force(index: decode.Index, epoch_us: int) -> Series:
    """Of whichever message has it more often."""
    found = []
    for message_id, to_si in ((_HIGHRES_IMU, 1.0), (_SCALED_IMU, STANDARD_GRAVITY_M_S2 / 1e3)):
        table = decode.columns(index, message_id)
        found.append(series((table["time_us"] - epoch_us) / 1e6, table["zacc"] * to_si))
    return max(found, key=len)


def _density_ratio(index: decode.Index) -> float:
    altitudes_m = decode.columns(index, _GLOBAL_POSITION_INT)["alt"] / 1e3
    if not len(altitudes_m):
        return 1.0
    altitude_m = float(np.median(altitudes_m))
    return density_kg_m3(pressure_pa(altitude_m), temperature_k(altitude_m)) / SEA_LEVEL_DENSITY_KG_M3


def _set_points(place: Path, index: decode.Index, epoch_us: int) -> SetPoints:
    """As the script sent them, or as the vehicle says that it follows them."""
    asked = decode.columns(index, _SET_POINT)
    script = place / folder.SCRIPT_TLOG
    if not len(asked) and place.is_dir() and script.is_file():
        asked = decode.columns(decode.index(script), _SET_POINT)
    if not len(asked):
        asked = decode.columns(index, _FOLLOWED)
    asked = asked[asked["coordinate_frame"] == _LOCAL_NED]
    mask = asked["type_mask"][:, None] >> np.arange(6) & 1
    places = np.stack([asked[name] for name in ("x", "y", "z")], axis=-1).astype(np.float64)
    speeds = np.stack([asked[name] for name in ("vx", "vy", "vz")], axis=-1).astype(np.float64)
    return SetPoints(
        (asked["time_us"] - epoch_us) / 1e6,
        np.where(mask[:, :3] == 1, np.nan, places),
        np.where(mask[:, 3:] == 1, np.nan, speeds),
    )
