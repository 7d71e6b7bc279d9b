"""The craft as a calibration sees it: what accelerates it, by its attitude, its throttle and the air it meets.

The forces are those of `sim/airframes/loads.xml`, taken for the craft as a whole: thrust with the square of the rotors'
speed, less what is lost when the rotors meet air along their axis; side drag with speed and rotor speed; body drag with
the square of airspeed. A rotor turns in proportion to throttle times voltage. Only ratios to the mass show in motion:
`thrust` and `drag` are shares of the design's own, at the design's mass.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from asflown.campaign.calibration.capture import SEA_LEVEL_DENSITY_KG_M3, Capture
from asflown.frames import FloatArray
from asflown.sim.atmosphere import STANDARD_GRAVITY_M_S2
from asflown.sim.plant import ROTORS
from asflown.sim.sheet import Numbers

WINDOW_S = 0.5
"""Forces are compared with motion over this long, which needs no derivative of single samples."""
_DOWN = np.array([0.0, 0.0, STANDARD_GRAVITY_M_S2])


@dataclass(slots=True)
class Flight:
    """A capture with what is computed of it once, and the gusts found so far."""

    capture: Capture
    design: Numbers
    rotor_rad_s: FloatArray
    """Sum of the four rotors' speeds, shape (n,)."""
    instrument: FloatArray
    """What was asked for, as velocity (see `instruments`), shape (n, 3)."""
    gust_m_s: FloatArray = field(init=False)
    """Wind beside the mean one, north and east as the flight shows it, down zero; shape (n, 3)."""

    def __post_init__(self) -> None:
        self.gust_m_s = np.zeros_like(self.capture.velocity_m_s)

    @property
    def length(self) -> int:
        """Samples in a window."""
        return max(1, round(WINDOW_S / self.capture.step_s))

    @property
    def window_s(self) -> float:
        """How long a window really is."""
        return self.length * self.capture.step_s

    def windows(self, values: FloatArray) -> FloatArray:
        """Means over windows."""
        count = (len(values) - 1) // self.length
        shape = (count, self.length, *values.shape[1:])
        means: FloatArray = values[: count * self.length].reshape(shape).mean(axis=1)
        return means

    def turned(self) -> FloatArray:
        """Mean rotation of each window, shape (windows, 3, 3)."""
        return self.windows(self.capture.rotation)


def rotor_speeds(capture: Capture, design: Numbers) -> FloatArray:
    """Sum of the rotors' speeds by throttle and voltage; where either is not known, what hover takes by design."""
    if capture.throttle is None or capture.voltage_v is None:
        hover = ROTORS * design.rotor_speed_rad_s(design.weight_n)
        return np.full(len(capture.time_s), hover)
    share = capture.throttle * capture.voltage_v / design.full_voltage_v
    return np.asarray(ROTORS * design.full_speed_rad_s * share, np.float64)


@dataclass(frozen=True, slots=True)
class Residual:
    """What the model leaves unexplained, for each window, in body axes."""

    body_m_s2: FloatArray
    """Shape (windows, 3)."""
    drag_per_s: FloatArray
    """What a metre a second of airspeed across the rotors decelerates the craft by."""


def residual(flight: Flight, thrust: float, drag: float, nuisance: FloatArray) -> Residual:
    """What is left of a flight for these shares.

    `nuisance` is the mean wind (north, east, where the air moves to) and what tilts all attitudes (m/s^2, forward and
    right).
    """
    capture, design = flight.capture, flight.design
    turn, rotors = capture.rotation, flight.rotor_rad_s
    calm = capture.velocity_m_s - np.array([nuisance[0], nuisance[1], 0.0])
    met = calm - flight.gust_m_s
    speed = np.linalg.norm(met, axis=1)
    level = np.einsum("nji,nj->ni", turn, calm)
    along = np.einsum("nji,nj->ni", turn, met)[:, 2]
    half_density = 0.5 * SEA_LEVEL_DENSITY_KG_M3
    scale = capture.density_ratio / design.mass_kg
    side = scale * drag * (design.side_drag_factor * rotors + half_density * design.level_area_m2 * speed)
    lift = thrust * design.thrust_factor * rotors**2 / ROTORS
    lift += along * (design.inflow_factor * rotors + drag * half_density * design.upright_area_m2 * speed)
    force = np.stack(
        [nuisance[2] - side * level[:, 0], nuisance[3] - side * level[:, 1], -scale * lift], axis=-1
    )
    acceleration = np.einsum("nij,nj->ni", turn, force) + _DOWN
    count = (len(speed) - 1) // flight.length
    middle = 0.5 * (acceleration[:-1] + acceleration[1:])[: count * flight.length]
    modelled = middle.reshape(count, flight.length, 3).mean(axis=1)
    ends = capture.velocity_m_s[: count * flight.length + 1 : flight.length]
    missed = np.diff(ends, axis=0) / flight.window_s - modelled
    return Residual(np.einsum("nji,nj->ni", flight.turned(), missed), flight.windows(side))


def find_gusts(flight: Flight, found: Residual) -> None:
    """Takes what sideways forces are unexplained as wind, and keeps it with the flight.

    A craft that holds against a gust tilts into it, and its rotors meet air along their axis: without this, thrust
    would look weaker the windier it was.
    """
    across = found.body_m_s2[:, :2] / found.drag_per_s[:, None]
    to_body = np.swapaxes(flight.turned(), 1, 2)[:, :2, :2]
    level = np.linalg.solve(to_body, across[:, :, None])[:, :, 0]
    at_s = flight.windows(flight.capture.time_s)
    for axis in range(2):
        flight.gust_m_s[:, axis] = np.interp(flight.capture.time_s, at_s, level[:, axis])
