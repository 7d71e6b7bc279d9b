"""The automatic transmission, a published model of a car that the literature on falsification measures itself by.

Sources: B. Hoxha, H. Abbas, G. Fainekos, 'Benchmarks for temporal logic requirements for automotive systems', ARCH 2014
(the benchmark); the equations are those of the modelling example it takes: engine, torque converter, four gears with a
shift schedule, vehicle. Nothing was copied: equations are written down, and constants come from memory, which
is all this place has. The torque ratio, engine map, gears, inertias and shift schedule are believed to be the
published ones; the converter's capacity (CAPACITY) is rebuilt from its shape. So it is *a* member
of that family and not the published instance to the last digit; `check` holds it against what the literature says of
the model: with full throttle it just passes 120 mph within 20 s, and 4750 rpm within 10 s.

Units are the benchmark's own: throttle 0 to 100 per cent, brake 0 to 325 ft lb, mph, rpm, seconds.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import pi

import numpy as np

from asflown.frames import FloatArray

STEP_S = 0.04
ENGINE_INERTIA, VEHICLE_INERTIA = 0.0220, 12.0941
"""In ft lb a (rpm a second): a car of some 3,700 lb on wheels of 1 ft."""
FINAL_DRIVE, WHEEL_FT = 3.23, 1.0
ROLLING, DRAG = 40.0, 0.02
GEARS = (2.393, 1.450, 1.000, 0.677)
MPH_PER_RPM = 60.0 / 5280.0 * 2.0 * pi * WHEEL_FT
TWAIT_STEPS = 2

THROTTLES = (0, 20, 30, 40, 50, 60, 70, 80, 90, 100)
SPEEDS = (799.99, 1200, 1600, 2000, 2400, 2800, 3200, 3600, 4000, 4400, 4800)
TORQUES = (
    (-40, -44, -49, -53, -57, -61, -65, -70, -74, -78, -82),
    (215, 117, 85, 66, 44, 29, 10, -2, -13, -22, -32),
    (245, 208, 178, 148, 122, 104, 85, 66, 48, 33, 18),
    (264, 260, 241, 219, 193, 167, 152, 133, 119, 96, 85),
    (264, 279, 282, 275, 260, 238, 223, 208, 189, 171, 152),
    (267, 290, 293, 297, 290, 275, 260, 256, 234, 212, 193),
    (267, 297, 305, 305, 305, 301, 293, 282, 267, 249, 226),
    (267, 301, 308, 312, 319, 323, 319, 316, 297, 279, 253),
    (267, 301, 312, 319, 327, 327, 327, 327, 312, 293, 267),
    (267, 301, 312, 319, 327, 334, 334, 334, 319, 305, 275),
)
"""Engine torque in ft lb by throttle and rpm."""
RATIOS = (
    0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.81, 0.82, 0.83, 0.84, 0.85, 0.86, 0.87, 0.88, 0.89, 0.9, 0.92, 0.94,
)  # fmt: skip
CAPACITY = (
    137.5, 137.1, 135.9, 137.7, 140.4, 145.4, 152.9, 164.5, 178.6, 180.0, 181.8, 183.6, 186.0, 188.4, 191.4, 195.0,
    199.2, 204.0, 210.0, 226.2, 251.4,
)  # fmt: skip
"""K factor, rpm / sqrt(ft lb), by speed ratio: rebuilt, its steepness beyond 0.8 so that `check` holds."""
MULTIPLIER = (
    2.232, 2.075, 1.975, 1.846, 1.72, 1.564, 1.409, 1.254, 1.096, 1.08, 1.061, 1.043, 1.028, 1.012, 1.002, 1.002, 1.001,
    0.998, 0.999, 1.001, 1.002,
)  # fmt: skip
UP_THROTTLES = (0, 25, 35, 50, 90, 100)
UP = ((10, 10, 15, 23, 40, 40), (30, 30, 30, 41, 70, 70), (50, 50, 50, 60, 100, 100))
"""Vehicle speed in mph above which the next gear is taken, by gear and throttle."""
DOWN_THROTTLES = (0, 5, 40, 50, 90, 100)
DOWN = ((5, 5, 5, 5, 30, 30), (20, 20, 25, 30, 50, 50), (35, 35, 40, 50, 80, 80))
"""Below which the gear before is taken, from gear 2, 3 and 4."""


def table(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Linear between the points, and on beyond the last ones."""
    at = min(max(bisect_right(xs, x), 1), len(xs) - 1)
    share = (x - xs[at - 1]) / (xs[at] - xs[at - 1])
    return ys[at - 1] + share * (ys[at] - ys[at - 1])


def engine_torque(throttle: float, rpm: float) -> float:
    """Bilinear."""
    at = min(max(bisect_right(THROTTLES, throttle), 1), len(THROTTLES) - 1)
    low, high = table(SPEEDS, TORQUES[at - 1], rpm), table(SPEEDS, TORQUES[at], rpm)
    share = (throttle - THROTTLES[at - 1]) / (THROTTLES[at] - THROTTLES[at - 1])
    return low + share * (high - low)


@dataclass(frozen=True, slots=True)
class Drive:
    """One drive, sampled every STEP_S."""

    time_s: FloatArray
    mph: FloatArray
    rpm: FloatArray
    gear: FloatArray


def drive(throttle: Callable[[float], float], brake: Callable[[float], float], until_s: float) -> Drive:
    """From standstill at 1000 rpm in first gear; the classical Runge-Kutta method of fourth order."""
    rows, rpm, wheel_rpm, gear, waiting = [], 1000.0, 0.0, 0, 0
    steps = round(until_s / STEP_S)
    for step in range(steps + 1):
        now_s = step * STEP_S
        mph, pedal = wheel_rpm * MPH_PER_RPM, throttle(now_s)
        wanted = _wanted(gear, mph, pedal)
        waiting = waiting + 1 if wanted else 0
        if waiting > TWAIT_STEPS:
            gear, waiting = gear + wanted, 0
        rows.append((now_s, mph, rpm, gear + 1))
        rpm, wheel_rpm = _step(rpm, wheel_rpm, gear, pedal, brake(now_s))
    columns = np.array(rows, np.float64).T
    return Drive(*columns)


def _wanted(gear: int, mph: float, pedal: float) -> int:
    if gear < 3 and mph > table(UP_THROTTLES, UP[gear], pedal):
        return 1
    if gear > 0 and mph < table(DOWN_THROTTLES, DOWN[gear - 1], pedal):
        return -1
    return 0


def _step(rpm: float, wheel_rpm: float, gear: int, pedal: float, brake: float) -> tuple[float, float]:
    def change(rpm: float, wheel_rpm: float) -> tuple[float, float]:
        return _change(rpm, wheel_rpm, gear, pedal, brake)

    h = STEP_S
    a, b = change(rpm, wheel_rpm)
    c, d = change(rpm + h / 2 * a, wheel_rpm + h / 2 * b)
    e, f = change(rpm + h / 2 * c, wheel_rpm + h / 2 * d)
    i, j = change(rpm + h * e, wheel_rpm + h * f)
    faster = rpm + h / 6 * (a + 2 * c + 2 * e + i)
    return min(6000.0, max(600.0, faster)), max(0.0, wheel_rpm + h / 6 * (b + 2 * d + 2 * f + j))


def _change(rpm: float, wheel_rpm: float, gear: int, pedal: float, brake: float) -> tuple[float, float]:
    ratio = GEARS[gear]
    speed_ratio = ratio * FINAL_DRIVE * wheel_rpm / rpm
    capacity = table(RATIOS, CAPACITY, speed_ratio)
    impeller = (rpm / capacity) ** 2
    turbine = table(RATIOS, MULTIPLIER, speed_ratio) * impeller
    mph = wheel_rpm * MPH_PER_RPM
    load = (ROLLING + DRAG * mph * mph + brake) if mph > 0 else 0.0
    engine = (engine_torque(pedal, rpm) - impeller) / ENGINE_INERTIA
    wheel = (FINAL_DRIVE * ratio * turbine - load) / VEHICLE_INERTIA
    return engine, wheel


def check() -> dict[str, float]:
    """What the literature says of the model, by this one: mph after 20 s and rpm within 10 s at full throttle."""
    full = drive(lambda at: 100.0, lambda at: 0.0, 30.0)
    return {
        "mph_20s": float(full.mph[full.time_s <= 20].max()),
        "rpm_10s": float(full.rpm[full.time_s <= 10].max()),
        "gears": float(full.gear.max()),
    }
