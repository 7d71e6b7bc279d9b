"""The parameters of the built-in vehicle: names, units, bounds, and what each of them changes.

Names are lower case with dots, 16 characters at most. A value is a 32-bit float, as it travels, so that what is
read back equals what was set; what is set is within its bounds. Those that name a limit act on the flight core's
limits at once.
"""

from __future__ import annotations

import hashlib
import math
import struct
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

from asflown.sim.interface import Limits

REAL = int(mav.MAV_PARAM_TYPE_REAL32)
WHOLE = int(mav.MAV_PARAM_TYPE_INT32)
UINT8, INT8 = int(mav.MAV_PARAM_TYPE_UINT8), int(mav.MAV_PARAM_TYPE_INT8)
UINT16, INT16 = int(mav.MAV_PARAM_TYPE_UINT16), int(mav.MAV_PARAM_TYPE_INT16)
UINT32 = int(mav.MAV_PARAM_TYPE_UINT32)
_ACTS = "0 carry on, 1 hold, 2 come home, 3 land"


@dataclass(frozen=True, slots=True)
class ParameterSpec:
    """One parameter: what it means, its unit, bounds, and the field of `Limits` it sets, if any."""

    name: str
    says: str
    low: float
    high: float
    default: float = 0.0
    kind: int = REAL
    limit: str | None = None
    """Its default is then the airframe's own limit."""
    in_degrees: bool = False
    """The limit is in radians, the parameter in degrees."""


PARAMETERS = (
    ParameterSpec("speed.travel", "largest horizontal speed, m/s", 0.2, 20, limit="speed_m_s"),
    ParameterSpec("speed.climb", "largest climb speed, m/s", 0.1, 8, limit="climb_m_s"),
    ParameterSpec("speed.descent", "largest descent speed, m/s", 0.1, 5, limit="descent_m_s"),
    ParameterSpec("speed.landing", "descent speed when landing, m/s", 0.1, 1.5, limit="landing_m_s"),
    ParameterSpec("acceleration", "largest acceleration, m/s^2", 0.3, 8, limit="acceleration_m_s2"),
    ParameterSpec("tilt", "largest tilt, deg", 5, 45, limit="tilt_rad", in_degrees=True),
    ParameterSpec("yaw.rate", "largest yaw rate, deg/s", 5, 200, limit="yaw_rate_rad_s", in_degrees=True),
    ParameterSpec("drag", "deceleration by drag per speed, for the wind estimate, 1/s", 0.01, 5, 0.3),
    ParameterSpec("takeoff.height", "height of a take-off that names none, m", 0.5, 100, 2.5),
    ParameterSpec("return.height", "least height above home when returning, m", 1, 120, 10),
    ParameterSpec("battery.reserve", "share at which the vehicle comes home, 0 to 1", 0, 0.9, 0.15),
    ParameterSpec("battery.critical", "share at which the vehicle lands, 0 to 1", 0, 0.9, 0.07),
    ParameterSpec("link.loss.time", "silence of the ground that counts as lost, s", 1, 120, 10),
    ParameterSpec("link.loss.act", "then: 0 carry on, 1 come home, 2 land", 0, 2, 1, kind=WHOLE),
    ParameterSpec("position.loss", "time without a position until it lands, s", 0.5, 30, 4),
    ParameterSpec("gnss.loss.time", "time without a fix until the vehicle acts, s", 0.5, 60, 8),
    ParameterSpec("gnss.loss.act", "then: " + _ACTS, 0, 3, 1, kind=INT8),
    ParameterSpec("estimator.time", "time a test ratio may be above 1, s", 0.5, 60, 5),
    ParameterSpec("estimator.act", "then: " + _ACTS, 0, 3, 3, kind=INT8),
    ParameterSpec("tilt.failsafe", "tilt that counts as out of control, deg", 40, 175, 70),
    ParameterSpec("fence.act", "outside the fence: " + _ACTS, 0, 3, 1, kind=INT8),
    ParameterSpec("fence.ceiling", "greatest height above home, m; 0 for none", 0, 500, 0, kind=UINT16),
    ParameterSpec("fence.distance", "greatest distance from home, m; 0 for none", 0, 20_000, 0, kind=UINT32),
    ParameterSpec(
        "sticks.neutral", "z of a centred stick in MANUAL_CONTROL: 0 or 500", 0, 500, 500, kind=INT16
    ),
    ParameterSpec("sticks.take.over", "sticks off centre take over: 0 no, 1 yes", 0, 1, 1, kind=UINT8),
    ParameterSpec("sticks.loss.time", "silence of sticks that fly the craft, s", 0.6, 60, 3),
    ParameterSpec("sticks.loss.act", "then: 0 hold, 1 come home, 2 land", 0, 2, 1, kind=UINT8),
    ParameterSpec("orbit.radius", "radius of an orbit that names none, m", 1, 500, 10),
    ParameterSpec("orbit.speed", "speed of an orbit that names none, m/s", 0.2, 20, 2),
    ParameterSpec("setpoint.age", "age at which a moving set-point is dropped, s", 0.2, 10, 1),
    ParameterSpec("ground.time", "time on the ground until motors stop after landing, s", 0.5, 10, 1),
    ParameterSpec("idle.time", "time armed on the ground until motors stop, s", 5, 300, 30),
)
"""In the order in which the parameter protocol counts them."""


class Parameters:
    """The values, by name or by index. `limits` is the flight core's own object and is changed in place."""

    def __init__(self, limits: Limits, own_defaults: dict[str, float]) -> None:
        """`own_defaults` replaces defaults that differ from airframe to airframe."""
        self._limits = limits
        self._values: dict[str, float] = {}
        for spec in PARAMETERS:
            default = own_defaults.get(spec.name, spec.default)
            self._values[spec.name] = _as_float32(self._limit_of(spec) if spec.limit else default)

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def set(self, spec: ParameterSpec, value: float) -> str:
        """Sets a value; returns '' or why it was refused, and then nothing has changed."""
        if not math.isfinite(value):
            return f"{spec.name}: not a number"
        if spec.kind != REAL and not float(value).is_integer():
            return f"{spec.name}: whole numbers only"
        if not _as_float32(spec.low) <= _as_float32(value) <= _as_float32(spec.high):
            return f"{spec.name}: {spec.low:g} to {spec.high:g} only"
        self._values[spec.name] = _as_float32(value)
        if spec.limit:
            kept = self._values[spec.name]
            setattr(self._limits, spec.limit, math.radians(kept) if spec.in_degrees else kept)
        return ""

    def sha256(self) -> str:
        """Over all names and values, in the order of the table."""
        text = "\n".join(f"{name}={value!r}" for name, value in self._values.items())
        return hashlib.sha256(text.encode()).hexdigest()

    def _limit_of(self, spec: ParameterSpec) -> float:
        value = float(getattr(self._limits, spec.limit or ""))
        return math.degrees(value) if spec.in_degrees else value


def spec_by_name(name: str) -> ParameterSpec | None:
    """The parameter of this name, or None."""
    return _BY_NAME.get(name)


def index_of(spec: ParameterSpec) -> int:
    """Its index in the parameter protocol."""
    return PARAMETERS.index(spec)


_BY_NAME = {spec.name: spec for spec in PARAMETERS}


def _as_float32(value: float) -> float:
    return float(struct.unpack("<f", struct.pack("<f", value))[0])
