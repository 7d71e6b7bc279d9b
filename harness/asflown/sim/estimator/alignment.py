"""Alignment at power-up: a second on the ground tells tilt, heading, gyro biases and the pressure there."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, hypot, sin

from asflown.sim.sensors.imu import Sample

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Aligned:
    """What alignment found; the heading is magnetic."""

    roll_rad: float
    pitch_rad: float
    magnetic_heading_rad: float
    rate_bias_rad_s: Vector
    pressure_pa: float


class Alignment:
    """Means of all samples taken while the craft stands still."""

    __slots__ = ("_fields", "_magnetic", "_motions", "_pressure_pa", "_sums")

    def __init__(self) -> None:
        self._sums = [0.0] * 6
        self._magnetic = [0.0] * 3
        self._pressure_pa, self._motions, self._fields = 0.0, 0, 0

    def add_motion(self, sample: Sample) -> None:
        """Takes in one sample of the IMU."""
        self._sums = [total + value for total, value in zip(self._sums, sample, strict=True)]
        self._motions += 1

    def add_field(self, magnetic_gauss: Vector, pressure_pa: float) -> None:
        """Takes in one sample of magnetometer and barometer."""
        self._magnetic = [total + value for total, value in zip(self._magnetic, magnetic_gauss, strict=True)]
        self._pressure_pa += pressure_pa
        self._fields += 1

    def result(self) -> Aligned:
        """Attitude by gravity and magnetic field; needs at least one sample of each kind."""
        p, q, r, x, y, z = (total / self._motions for total in self._sums)
        roll, pitch = atan2(-y, -z), atan2(x, hypot(y, z))
        return Aligned(
            roll_rad=roll,
            pitch_rad=pitch,
            magnetic_heading_rad=_level_heading(
                roll, pitch, (self._magnetic[0], self._magnetic[1], self._magnetic[2])
            ),
            rate_bias_rad_s=(p, q, r),
            pressure_pa=self._pressure_pa / self._fields,
        )


def _level_heading(roll: float, pitch: float, field: Vector) -> float:
    """Heading from a magnetic vector in body axes, turned level first."""
    x, y, z = field
    right = cos(roll) * y - sin(roll) * z
    below = sin(roll) * y + cos(roll) * z
    ahead = cos(pitch) * x + sin(pitch) * below
    return atan2(-right, ahead)
