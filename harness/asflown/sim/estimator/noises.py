"""What the estimator's designer knows of the sensors: the noise that the filter counts on, from their data sheets.

White noise is taken as it is. A filter that takes correlated errors for white ones believes itself too much, so
their variance is raised: by (1 + f) / (1 - f) where f is the correlation from one sample to the next, which is
exact at low frequencies, but never by more than CORRELATED_MOST, since nobody wants to wait for minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot

from asflown.sim.airframe import Airframe
from asflown.sim.interface import STEP_S
from asflown.sim.sensors.barometer import PERIOD_S as BAROMETER_PERIOD_S
from asflown.sim.sensors.magnetometer import FIELD_NED_GAUSS

TICK_S = 0.01
ALIGNMENT_SAMPLES = 400
"""Of the IMU; an eighth as many of barometer and magnetometer."""
CORRELATED_MOST = 3.0
PASCAL_PER_METRE = 12.0
_LEVEL_FIELD_GAUSS = hypot(FIELD_NED_GAUSS[0], FIELD_NED_GAUSS[1])
_CONSTANT_MOST = 20.0
"""For errors of the compass that stay for the whole flight."""


@dataclass(frozen=True, slots=True)
class Noises:
    """Standard deviations at alignment (`first_`), spectral densities of the motion, variances of measurements.

    Densities: acceleration (m/s^2)^2 s, rate (rad/s)^2 s, their biases (m/s^2)^2/s and (rad/s)^2/s.
    """

    acceleration_density: float
    rate_density: float
    acceleration_bias_density: float
    rate_bias_density: float
    first_acceleration_bias_m_s2: float
    first_rate_bias_rad_s: float
    first_tilt_rad: float
    first_heading_rad: float
    first_height_m: float
    position_m2: float
    altitude_m2: float
    velocity_m2_s2: float
    vertical_velocity_m2_s2: float
    height_m2: float
    heading_rad2: float


def noises_of(airframe: Airframe) -> Noises:
    """The noises of an airframe's sensors with its motors at hover."""
    imu, gnss, barometer, compass = airframe.imu, airframe.gnss, airframe.barometer, airframe.compass
    shaking = airframe.hover_throttle**2
    force = imu.acceleration_noise_m_s2 + shaking * imu.acceleration_vibration_m_s2
    rate = imu.rate_noise_rad_s + shaking * imu.rate_vibration_rad_s
    period_s = gnss.period_ticks * TICK_S
    slow = _raised(gnss.time_constant_s, period_s)
    quick = _raised(gnss.velocity_time_constant_s, period_s)
    height_m = barometer.noise_pa / PASCAL_PER_METRE
    heading = compass.noise_gauss / _LEVEL_FIELD_GAUSS
    lasting = hypot(compass.offset_gauss, compass.interference_gauss) / _LEVEL_FIELD_GAUSS
    standing = 1.0 / ALIGNMENT_SAMPLES
    return Noises(
        acceleration_density=force * force * STEP_S,
        rate_density=rate * rate * STEP_S,
        acceleration_bias_density=2.0 * imu.acceleration_instability_m_s2**2 / imu.instability_s,
        rate_bias_density=2.0 * imu.rate_instability_rad_s**2 / imu.instability_s,
        first_acceleration_bias_m_s2=imu.acceleration_bias_m_s2,
        first_rate_bias_rad_s=imu.rate_noise_rad_s * standing**0.5,
        first_tilt_rad=imu.acceleration_noise_m_s2 / 9.81 * standing**0.5,
        first_heading_rad=hypot(heading * (8.0 * standing) ** 0.5, lasting),
        first_height_m=height_m * (8.0 * standing) ** 0.5,
        position_m2=gnss.white_m**2 + slow * gnss.horizontal_m**2,
        altitude_m2=gnss.white_m**2 + slow * gnss.vertical_m**2,
        velocity_m2_s2=quick * gnss.velocity_m_s**2,
        vertical_velocity_m2_s2=quick * gnss.vertical_velocity_m_s**2,
        height_m2=height_m**2 + (barometer.drift_pa / PASCAL_PER_METRE) ** 2 * BAROMETER_PERIOD_S,
        heading_rad2=heading**2 + _CONSTANT_MOST * lasting**2,
    )


def _raised(time_constant_s: float, period_s: float) -> float:
    """Factor on the variance of an error with this correlation time."""
    f = exp(-period_s / time_constant_s)
    return min(CORRELATED_MOST, (1.0 + f) / (1.0 - f))
