"""What the program knows of an airframe beside its physics: sensors, battery, limits and control constants.

The physics is in `airframes/<name>.xml`; what the controller must know of it (arms, thrust factor, mass) is read
from there, never written twice. Every number is derived or marked in `airframes/README.md`. SI throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

from asflown.errors import VehicleProblem
from asflown.sim.interface import Limits


@dataclass(frozen=True, slots=True)
class ImuSheet:
    """Standard deviations of one sample at 400 Hz, at rest; `vibration` is added in proportion to throttle squared."""

    rate_noise_rad_s: float
    rate_vibration_rad_s: float
    rate_bias_rad_s: float
    acceleration_noise_m_s2: float
    acceleration_vibration_m_s2: float
    acceleration_bias_m_s2: float
    rate_instability_rad_s: float = 1e-4
    """Standard deviation of the part of the bias that wanders (Gauss-Markov)."""
    acceleration_instability_m_s2: float = 2e-3
    instability_s: float = 100.0
    """Time constant of that wandering."""


@dataclass(frozen=True, slots=True)
class GnssSheet:
    """Gauss-Markov and white errors of a receiver, one standard deviation of each axis."""

    period_ticks: int
    """Between fixes, in units of 10 ms."""
    delay_ticks: int
    time_constant_s: float = 40.0
    horizontal_m: float = 0.5
    vertical_m: float = 0.9
    white_m: float = 0.04
    velocity_m_s: float = 0.05
    vertical_velocity_m_s: float = 0.08
    velocity_time_constant_s: float = 1.0
    satellites: int = 14


@dataclass(frozen=True, slots=True)
class BarometerSheet:
    """White noise of one sample at 50 Hz, and a slow drift."""

    noise_pa: float
    drift_pa: float = 4.0
    drift_time_constant_s: float = 600.0


@dataclass(frozen=True, slots=True)
class CompassSheet:
    """White noise, constant offset, and what the motors' currents add in hover; one axis, gauss."""

    noise_gauss: float = 0.004
    offset_gauss: float = 0.004
    interference_gauss: float = 0.002


@dataclass(frozen=True, slots=True)
class RangefinderSheet:
    """A small time-of-flight sensor that looks down along the body's axis."""

    least_m: float = 0.05
    most_m: float = 4.0
    noise_m: float = 0.01
    noise_share: float = 0.01


@dataclass(frozen=True, slots=True)
class BatterySheet:
    """The pack. Its resistance and the motors are in the airframe's XML."""

    cells: int
    capacity_ah: float
    gauge_error: float = 0.02
    """Standard deviation of the current sensor's gain."""


@dataclass(frozen=True, slots=True)
class Airframe:
    """Everything about one built-in airframe that is not in its XML."""

    name: str
    rest_height_m: float
    """Height of the centre of gravity over level ground, legs unloaded."""
    imu: ImuSheet
    gnss: GnssSheet
    barometer: BarometerSheet
    compass: CompassSheet
    rangefinder: RangefinderSheet
    battery: BatterySheet
    hover_throttle: float
    """Mean motor command in gentle flight at sea level, over the better part of a pack."""
    hover_current_a: float
    speed_m_s: float
    climb_m_s: float
    descent_m_s: float
    landing_m_s: float
    acceleration_m_s2: float
    tilt_rad: float
    yaw_rate_rad_s: float

    def limits(self) -> Limits:
        """A fresh set of limits, for parameters to change."""
        return Limits(
            speed_m_s=self.speed_m_s,
            climb_m_s=self.climb_m_s,
            descent_m_s=self.descent_m_s,
            landing_m_s=self.landing_m_s,
            acceleration_m_s2=self.acceleration_m_s2,
            tilt_rad=self.tilt_rad,
            yaw_rate_rad_s=self.yaw_rate_rad_s,
        )


PALM80 = Airframe(
    name="palm80",
    rest_height_m=0.025,
    imu=ImuSheet(0.006, 0.04, 0.01, 0.12, 1.5, 0.05),
    gnss=GnssSheet(period_ticks=20, delay_ticks=14),
    barometer=BarometerSheet(noise_pa=2.0),
    compass=CompassSheet(),
    rangefinder=RangefinderSheet(),
    battery=BatterySheet(cells=1, capacity_ah=0.25),
    hover_throttle=0.69,
    hover_current_a=4.8,
    speed_m_s=3.0,
    climb_m_s=1.5,
    descent_m_s=1.0,
    landing_m_s=0.4,
    acceleration_m_s2=2.5,
    tilt_rad=0.52,
    yaw_rate_rad_s=1.5,
)

FIELD1400 = Airframe(
    name="field1400",
    rest_height_m=0.12,
    imu=ImuSheet(0.004, 0.03, 0.008, 0.10, 2.0, 0.04),
    gnss=GnssSheet(period_ticks=10, delay_ticks=11, horizontal_m=0.4, vertical_m=0.8),
    barometer=BarometerSheet(noise_pa=1.5),
    compass=CompassSheet(noise_gauss=0.003, offset_gauss=0.003),
    rangefinder=RangefinderSheet(least_m=0.1, most_m=12.0),
    battery=BatterySheet(cells=4, capacity_ah=3.0),
    hover_throttle=0.68,
    hover_current_a=9.5,
    speed_m_s=8.0,
    climb_m_s=2.5,
    descent_m_s=1.5,
    landing_m_s=0.5,
    acceleration_m_s2=3.0,
    tilt_rad=0.52,
    yaw_rate_rad_s=1.2,
)

AIRFRAMES = {airframe.name: airframe for airframe in (PALM80, FIELD1400)}


def airframe_named(name: str) -> Airframe:
    """The airframe of this name. Raises VehicleProblem naming the known ones."""
    if name not in AIRFRAMES:
        raise VehicleProblem(f"There is no airframe {name!r}", f"Use one of: {', '.join(AIRFRAMES)}.")
    return AIRFRAMES[name]
