"""What passes between the flight core (plant, sensors, estimator, control) and the autopilot (modes, MAVLink).

Frame: north-east-down about the estimator's origin, which is fixed at power-up (the estimate's own idea of home,
metres away from the true one). Body axes forward-right-down. The core is stepped by `FlightCore.tick`, 10 ms at a
time (four plant steps at 400 Hz); nothing in `sim/` asks any clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from asflown.scenario.model import Conditions, Start

TICK_US = 10_000
STEPS_PER_TICK = 4
STEP_S = 0.0025


@dataclass(frozen=True, slots=True)
class CraftSetup:
    """Everything a flight of the built-in vehicle depends on."""

    airframe: str
    release: str
    start: Start
    conditions: Conditions
    seed: int
    gains: Mapping[str, float] = field(default_factory=dict)
    """Control constants other than the release's own, by the names of `releases.GAINS`."""


@dataclass(slots=True)
class Target:
    """What the control loops follow. A None is not controlled by this part of the target.

    Position and velocity together: position control with the velocity as feed-forward. `land` descends at the
    landing speed (faster while more than 2 m above the ground it started from) and lets the core detect the
    touch-down.
    """

    north_m: float | None = None
    east_m: float | None = None
    down_m: float | None = None
    velocity_north_m_s: float | None = None
    velocity_east_m_s: float | None = None
    velocity_down_m_s: float | None = None
    acceleration_ned_m_s2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    yaw_rad: float | None = None
    yaw_rate_rad_s: float | None = None
    speed_limit_m_s: float | None = None
    land: bool = False


@dataclass(slots=True)
class Estimate:
    """What the vehicle believes. Kept up to date in place by the core."""

    north_m: float = 0.0
    east_m: float = 0.0
    down_m: float = 0.0
    velocity_north_m_s: float = 0.0
    velocity_east_m_s: float = 0.0
    velocity_down_m_s: float = 0.0
    roll_rad: float = 0.0
    pitch_rad: float = 0.0
    yaw_rad: float = 0.0
    roll_rate_rad_s: float = 0.0
    pitch_rate_rad_s: float = 0.0
    yaw_rate_rad_s: float = 0.0
    horizontal_accuracy_m: float = 99.0
    vertical_accuracy_m: float = 99.0
    position_valid: bool = False
    """Enough to arm and to fly by position."""
    origin_latitude_deg: float = 0.0
    origin_longitude_deg: float = 0.0
    origin_altitude_m: float = 0.0
    position_test_ratio: float = 0.0
    """Innovation over what its gate allows, as ESTIMATOR_STATUS has it: above 1 the measurement is not believed."""
    velocity_test_ratio: float = 0.0
    height_test_ratio: float = 0.0
    heading_test_ratio: float = 0.0
    velocity_accuracy_m_s: float = 99.0
    """Standard deviation of one horizontal axis."""
    attitude_valid: bool = False
    height_valid: bool = False
    heading_valid: bool = True
    """False while the compass is not believed and the gyros alone carry the heading."""
    origin_known: bool = False
    """False in a flight without GNSS whose origin nobody has named: then geodetic positions mean nothing."""
    position_fed: bool = False
    """Whether a position measured outside the vehicle came in within the last half second."""


@dataclass(slots=True)
class Readings:
    """The latest sensor readings, for telemetry."""

    acceleration_frd_m_s2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rate_frd_rad_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    magnetic_frd_gauss: tuple[float, float, float] = (0.0, 0.0, 0.0)
    pressure_pa: float = 101_325.0
    temperature_c: float = 15.0
    gnss_fix: int = 0
    """As GPS_FIX_TYPE: 0 no receiver, 1 no fix, 3 a 3-D fix."""
    gnss_satellites: int = 0
    gnss_latitude_deg: float = 0.0
    gnss_longitude_deg: float = 0.0
    gnss_altitude_m: float = 0.0
    gnss_velocity_ned_m_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gnss_horizontal_accuracy_m: float = 99.0
    gnss_vertical_accuracy_m: float = 99.0
    battery_voltage_v: float = 0.0
    battery_current_a: float = 0.0
    battery_remaining: float = 1.0
    """Share from 0 to 1, by the vehicle's own coulomb count."""
    throttle: float = 0.0
    """Mean motor command, 0 to 1."""
    gnss_velocity_accuracy_m_s: float = 99.0
    range_m: float | None = None
    """Rangefinder, along the body's down axis; None beyond its range."""
    range_span_m: tuple[float, float] = (0.05, 4.0)
    """What the rangefinder can measure, least and most."""
    vibration_m_s2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Standard deviation of the accelerometers' quick part, forward-right-down."""
    clipped: int = 0
    """Ticks since power-up in which the IMU reached the end of its range."""


@dataclass(frozen=True, slots=True)
class PositionFeed:
    """A position measured outside the vehicle (motion capture, a camera): north-east-down, `age_s` ago."""

    north_m: float
    east_m: float
    down_m: float
    deviation_m: float = 0.05
    """Standard deviation of each axis."""
    age_s: float = 0.0
    yaw_rad: float | None = None
    yaw_deviation_rad: float = 0.05
    anew: bool = False
    """Its zero has moved since the last one: what was known of it is forgotten."""


@dataclass(slots=True)
class Limits:
    """What this airframe and release may do; parameters change them."""

    speed_m_s: float = 3.0
    climb_m_s: float = 1.5
    descent_m_s: float = 1.0
    landing_m_s: float = 0.4
    acceleration_m_s2: float = 2.5
    tilt_rad: float = 0.5
    yaw_rate_rad_s: float = 1.5


@dataclass(slots=True)
class CoreEvents:
    """Messages for people that came up in the core (STATUSTEXT): severity as MAV_SEVERITY, text."""

    texts: list[tuple[int, str]] = field(default_factory=list)


class FlightCore(Protocol):
    """Physics, sensors, estimator and control of one craft."""

    estimate: Estimate
    readings: Readings
    limits: Limits
    target: Target
    events: CoreEvents
    """Emptied by who passes the texts on."""

    @property
    def armed(self) -> bool:
        """Whether the motors may turn."""

    @property
    def on_ground(self) -> bool:
        """By the landing detector of the vehicle, not by the truth."""

    def tick(self) -> None:
        """10 ms of flight: four plant steps with everything that runs on them."""

    def arm(self) -> str:
        """Arms; returns '' or why not."""

    def disarm(self) -> None:
        """Stops the motors at once. The autopilot asks only on the ground."""

    def set_fault(self, kind: str, *, active: bool, severity: float = 1.0, unit: int = 1) -> bool:
        """Switches a fault (by its name in a scenario) on or off at once; False for one that it cannot have."""

    def take_position(self, feed: PositionFeed) -> None:
        """Takes in a position measured outside the vehicle, for flights without GNSS or beside it."""

    def set_origin(self, latitude_deg: float, longitude_deg: float, altitude_m: float) -> bool:
        """Names the origin of a flight without GNSS; False when GNSS has named it already."""

    def rest_ned_m(self) -> tuple[float, float, float]:
        """Where the craft comes to rest when it is told to stop now and brakes as it plans to."""

    def truth_row(self) -> tuple[float, ...]:
        """In the order of record.truth.TRUTH_COLUMNS."""

    def drain_state(self) -> bytes:
        """The unquantised plant state at each step since the last call, packed doubles."""
