"""Releases of the built-in flight controller: each a set of control constants, told apart by name alone.

A release is a row of RELEASES: a retuned one replaces constants, one with a mistake has that mistake in it.
Constants are per airframe; SI, gains in 1/s and 1/s^2. A new release is a new row and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import tan

from asflown.errors import VehicleProblem
from asflown.sim.controller import opening_angle


@dataclass(frozen=True, slots=True)
class Tuning:
    """Control constants of one airframe in one release."""

    rate_p: float
    """Angular acceleration for an error of angular rate (roll, pitch), 1/s."""
    rate_i: float
    rate_d: float
    """Angular acceleration against measured angular acceleration, as a share of it."""
    yaw_rate_p: float
    yaw_rate_i: float
    attitude_p: float
    """Angular rate for an error of tilt, 1/s."""
    yaw_p: float
    velocity_p: float
    """Acceleration for an error of velocity (horizontal), 1/s."""
    velocity_i: float
    climb_p: float
    climb_i: float
    position_p: float
    """Velocity for an error of position, 1/s."""
    height_p: float
    drag_per_s: float
    """Deceleration by drag per m/s of speed, which the controller feeds forward."""
    jerk_m_s3: float
    """How fast the wanted acceleration may change."""
    response_s: float
    """Lag of the craft's acceleration behind the wanted one: attitude and rate loop, motors."""
    braking: float = 0.6
    """Share of the acceleration limit that stopping at a position target is planned with."""
    derivative_hz: float = 30.0
    """Corner of the low pass in front of the rate loop's derivative."""


PALM80 = Tuning(
    rate_p=24.0,
    rate_i=12.0,
    rate_d=0.5,
    yaw_rate_p=8.0,
    yaw_rate_i=4.0,
    attitude_p=9.0,
    yaw_p=2.5,
    velocity_p=3.8,
    velocity_i=2.4,
    climb_p=5.0,
    climb_i=2.5,
    position_p=1.4,
    height_p=1.8,
    drag_per_s=0.6,
    jerk_m_s3=10.0,
    response_s=0.2,
)

FIELD1400 = Tuning(
    rate_p=16.0,
    rate_i=8.0,
    rate_d=0.6,
    yaw_rate_p=5.0,
    yaw_rate_i=2.0,
    attitude_p=6.5,
    yaw_p=1.8,
    velocity_p=2.7,
    velocity_i=1.6,
    climb_p=4.0,
    climb_i=2.0,
    position_p=1.1,
    height_p=1.5,
    drag_per_s=0.15,
    jerk_m_s3=6.0,
    response_s=0.28,
)


@dataclass(frozen=True, slots=True)
class Release:
    """One version of the flight controller."""

    name: str
    summary: str
    tunings: dict[str, Tuning]
    level_share: Callable[[float], float] = tan
    """What a tilt limit (rad) allows: largest level over upright part of the thrust."""


R2 = {
    "palm80": replace(PALM80, position_p=1.9, velocity_p=3.2, velocity_i=2.8),
    "field1400": replace(FIELD1400, position_p=1.45, velocity_p=2.3, velocity_i=2.0),
}
"""Firmer on position, softer on velocity: quicker back on its place, with somewhat more overshoot."""


_FINAL = (
    Release("r1", "First release", {"palm80": PALM80, "field1400": FIELD1400}),
    Release("r2", "Firmer position control", R2),
    Release(
        "r3",
        "The gains of r1; tilt is limited in a new way, wrongly (controller/opening_angle.py)",
        {"palm80": PALM80, "field1400": FIELD1400},
        level_share=opening_angle.level_share,
    ),
)


@dataclass(frozen=True, slots=True)
class Change:
    """One change on the way from r1 to r3: constants by factors, taken back later, or the limiting of tilt."""

    says: str
    factors: dict[str, float]
    level_share: Callable[[float], float] | None = None


CHANGES = (
    Change("firmer heading", {"yaw_p": 1.1}),
    Change("derivative filtered less", {"derivative_hz": 1.2}),
    Change("a little more braking", {"braking": 1.05}),
    Change("heading as it was", {"yaw_p": 1.0}),
    Change("tilt limited in a new way", {}, opening_angle.level_share),
    Change("a quicker climb loop", {"climb_p": 1.05}),
    Change("derivative and braking as they were", {"derivative_hz": 1.0, "braking": 1.0}),
    Change("climb loop as it was: this became r3", {"climb_p": 1.0}),
)
"""What was done between r1 and r3, in order; build n of r3, `r3.n`, has the first n of them."""


def _builds() -> Iterator[Release]:
    """The builds that led from r1 to r3, each with one change more than the one before."""
    factors: dict[str, float] = {}
    level_share: Callable[[float], float] = tan
    for number, change in enumerate(CHANGES, 1):
        factors = factors | change.factors
        level_share = change.level_share or level_share
        tunings = {
            name: replace(base, **{field: getattr(base, field) * factor for field, factor in factors.items()})
            for name, base in (("palm80", PALM80), ("field1400", FIELD1400))
        }
        yield Release(f"r3.{number}", f"Build {number} on the way to r3: {change.says}", tunings, level_share)


RELEASES = {release.name: release for release in (*_FINAL, *_builds())}

HISTORY = ("r1", *(f"r3.{number}" for number in range(1, len(CHANGES) + 1)))
"""The builds from r1 to r3 in the order in which they were made; the last one is r3."""

GAINS = {
    "gain.rate.p": "rate_p",
    "gain.rate.i": "rate_i",
    "gain.rate.d": "rate_d",
    "gain.yaw.rate.p": "yaw_rate_p",
    "gain.yaw.rate.i": "yaw_rate_i",
    "gain.attitude.p": "attitude_p",
    "gain.yaw.p": "yaw_p",
    "gain.velocity.p": "velocity_p",
    "gain.velocity.i": "velocity_i",
    "gain.climb.p": "climb_p",
    "gain.climb.i": "climb_i",
    "gain.position.p": "position_p",
    "gain.height.p": "height_p",
    "gain.drag": "drag_per_s",
    "gain.jerk": "jerk_m_s3",
    "gain.response": "response_s",
    "gain.braking": "braking",
    "gain.derivative": "derivative_hz",
}
"""Control constants by the names under which a parameter file sets them at power-up, such as `gain.position.p`."""
GAIN_RANGE = (0.2, 5.0)
"""What a file may multiply a release's constant by."""


def retuned(tuning: Tuning, gains: Mapping[str, float]) -> Tuning:
    """A tuning with some constants replaced, by the names of GAINS. Raises VehicleProblem beyond GAIN_RANGE."""
    values = {}
    for name, value in gains.items():
        built_in = float(getattr(tuning, GAINS[name]))
        low, high = (built_in * factor for factor in GAIN_RANGE)
        if not low <= value <= high:
            raise VehicleProblem(
                f"parameter {name}: {low:g} to {high:g} only, and not {value:g}", "Change the value"
            )
        values[GAINS[name]] = value
    return replace(tuning, **values)


def gains_of(tuning: Tuning) -> dict[str, float]:
    """All control constants by the names of GAINS."""
    return {name: float(getattr(tuning, field)) for name, field in GAINS.items()}


def release_named(name: str) -> Release:
    """The release of this name. Raises VehicleProblem naming the known ones."""
    if name not in RELEASES:
        known = ", ".join(RELEASES)
        raise VehicleProblem(
            f"The built-in flight controller has no release {name!r}", f"Known are: {known}."
        )
    return RELEASES[name]
