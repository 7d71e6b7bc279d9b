"""What an airframe can do, derived from its numbers alone: nothing here is flown, and nothing is written down twice.

Momentum theory and the formulas of `airframes/README.md`, at standard sea level, with the pack as it is when full
unless said otherwise. Tests hold the figures to flights of the same craft.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, pi, sin, sqrt, tan

from asflown.scenario.model import Start
from asflown.sim.airframe import Airframe
from asflown.sim.atmosphere import STANDARD_GRAVITY_M_S2
from asflown.sim.battery import cell_voltage_v
from asflown.sim.plant import ROTORS, Plant

DENSITY_KG_M3 = 1.225
_CHARGE_STEPS = 400
_MOTOR_SHARE_OF_MASS = {"palm80": 0.4, "field1400": 75.0 * 4 / 1400.0}
"""Motors and rotors over the whole mass, as the moments of inertia were derived from."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One derived quantity: SI value, unit for people, and the formula in words."""

    name: str
    value: float
    unit: str
    formula: str


@dataclass(frozen=True, slots=True)
class Numbers:
    """The inputs, read from the airframe's XML and sheet; SI."""

    mass_kg: float
    disc_area_m2: float
    thrust_factor: float
    torque_factor: float
    inflow_factor: float
    side_drag_factor: float
    level_area_m2: float
    upright_area_m2: float
    full_speed_rad_s: float
    full_voltage_v: float
    efficiency: float
    avionics_w: float
    resistance_ohm: float
    cells: int
    capacity_ah: float
    tilt_rad: float

    @property
    def weight_n(self) -> float:
        """Mass times standard gravity."""
        return self.mass_kg * STANDARD_GRAVITY_M_S2

    def rotor_speed_rad_s(self, thrust_n: float) -> float:
        """Of each rotor, when all together give this thrust."""
        return sqrt(thrust_n / (ROTORS * self.thrust_factor))

    def electric_w(self, rotor_speed_rad_s: float) -> float:
        """What the pack gives while all rotors turn this fast."""
        return self.avionics_w + ROTORS * self.torque_factor * rotor_speed_rad_s**3 / self.efficiency

    def voltage_v(self, power_w: float, charge: float) -> float:
        """Terminal voltage under a load: the upper root of V (V0 - V) = R P. Raises ValueError beyond the peak."""
        open_v = self.cells * cell_voltage_v(charge)
        return 0.5 * (open_v + sqrt(open_v * open_v - 4.0 * self.resistance_ohm * power_w))

    def command(self, rotor_speed_rad_s: float, charge: float) -> float:
        """Motor command for a rotor speed."""
        voltage = self.voltage_v(self.electric_w(rotor_speed_rad_s), charge)
        return rotor_speed_rad_s / self.full_speed_rad_s * self.full_voltage_v / voltage


def numbers_of(airframe: Airframe) -> Numbers:
    """Reads them from a plant that stands at sea level."""
    read = (plant := Plant(airframe.name, Start(), airframe.rest_height_m)).read
    return Numbers(
        mass_kg=plant.mass_kg(),
        disc_area_m2=ROTORS * pi * read("rotor/radius-m") ** 2,
        thrust_factor=read("rotor/thrust-n-s2"),
        torque_factor=read("rotor/torque-nm-s2"),
        inflow_factor=read("rotor/inflow-n-s2-per-m"),
        side_drag_factor=read("rotor/side-drag-n-s2-per-m"),
        level_area_m2=read("craft/drag-area-horizontal-m2"),
        upright_area_m2=read("craft/drag-area-vertical-m2"),
        full_speed_rad_s=read("rotor/full-speed-rad-s"),
        full_voltage_v=read("rotor/full-speed-voltage-v"),
        efficiency=read("rotor/efficiency"),
        avionics_w=read("battery/avionics-w"),
        resistance_ohm=read("battery/resistance-ohm"),
        cells=airframe.battery.cells,
        capacity_ah=airframe.battery.capacity_ah,
        tilt_rad=airframe.tilt_rad,
    )


def full_command_speed_rad_s(n: Numbers, charge: float = 1.0) -> float:
    """Rotor speed at full command, where sag and load agree."""
    return _root(lambda speed: n.command(speed, charge) - 1.0, 0.3 * n.full_speed_rad_s, n.full_speed_rad_s)


def climb_m_s(n: Numbers) -> float:
    """Steady climb at full command: thrust less inflow loss and drag carries the weight."""
    speed = full_command_speed_rad_s(n)
    thrust_n = ROTORS * n.thrust_factor * speed * speed
    lost = ROTORS * n.inflow_factor * speed
    drag = 0.5 * DENSITY_KG_M3 * n.upright_area_m2
    return _root(lambda v: drag * v * v + lost * v - (thrust_n - n.weight_n), 0.0, 60.0)


def top_airspeed_m_s(n: Numbers) -> float:
    """Level flight at the tilt limit: along the body's forward axis, weight pulls as drag holds back."""
    drag = 0.5 * DENSITY_KG_M3 * n.level_area_m2

    def excess(v: float) -> float:
        side = ROTORS * n.side_drag_factor * _tilted_rotor_speed_rad_s(n, v)
        return (side + drag * v) * v - n.weight_n * tan(n.tilt_rad)

    return _root(excess, 0.0, 100.0)


def _tilted_rotor_speed_rad_s(n: Numbers, airspeed_m_s: float) -> float:
    """Of each rotor in level flight at the tilt limit, where thrust also makes up for inflow and upright drag."""
    along = airspeed_m_s * sin(n.tilt_rad)
    needed_n = n.weight_n * cos(n.tilt_rad) + 0.5 * DENSITY_KG_M3 * n.upright_area_m2 * airspeed_m_s * along
    half = 0.5 * n.inflow_factor * along / n.thrust_factor
    return half + sqrt(half * half + needed_n / (ROTORS * n.thrust_factor))


def hover_s(n: Numbers) -> float:
    """From full to empty, or until full command does not carry the weight any more."""
    speed, seconds = n.rotor_speed_rad_s(n.weight_n), 0.0
    power_w = n.electric_w(speed)
    for step in range(_CHARGE_STEPS):
        charge = 1.0 - (step + 0.5) / _CHARGE_STEPS
        try:
            if n.command(speed, charge) > 1.0:
                break
        except ValueError:
            break
        seconds += n.capacity_ah * 3600.0 / _CHARGE_STEPS * n.voltage_v(power_w, charge) / power_w
    return seconds


def figures(airframe: Airframe) -> list[Figure]:
    """The derived table of an airframe."""
    n = numbers_of(airframe)
    hover = n.rotor_speed_rad_s(n.weight_n)
    induced = sqrt(n.weight_n / (2.0 * DENSITY_KG_M3 * n.disc_area_m2))
    shaft_w = ROTORS * n.torque_factor * hover**3
    full_n = ROTORS * n.thrust_factor * full_command_speed_rad_s(n) ** 2
    loss_w = shaft_w / ROTORS * (1.0 / n.efficiency - 1.0)
    motor_g = 1000.0 * n.mass_kg * _MOTOR_SHARE_OF_MASS[airframe.name] / ROTORS
    return [
        Figure("mass", n.mass_kg, "kg", "given"),
        Figure("disc loading", n.weight_n / n.disc_area_m2, "N/m2", "m g / A"),
        Figure("induced speed in hover", induced, "m/s", "sqrt(m g / (2 rho A)), momentum theory"),
        Figure("figure of merit", n.weight_n * induced / shaft_w, "", "ideal power m g v_i over shaft power"),
        Figure("shaft power in hover", shaft_w, "W", "4 x torque factor x speed^3"),
        Figure("electric power in hover", n.electric_w(hover), "W", "shaft power / efficiency + avionics"),
        Figure(
            "hover throttle, full pack",
            n.command(hover, 1.0),
            "",
            "hover speed over reachable speed, with sag",
        ),
        Figure("hover throttle, at 20 %", n.command(hover, 0.2), "", "the same with the pack at 20 %"),
        Figure("thrust over weight", full_n / n.weight_n, "", "at full command, full pack, with sag"),
        Figure("climb, at full command", climb_m_s(n), "m/s", "thrust - inflow loss - drag = m g"),
        Figure("climb, as flown", airframe.climb_m_s, "m/s", "limit of the flight controller"),
        Figure("top airspeed", top_airspeed_m_s(n), "m/s", "m g tan(tilt limit) = drag"),
        Figure("top speed, as flown", airframe.speed_m_s, "m/s", "limit of the flight controller"),
        Figure("endurance in hover", hover_s(n) / 60.0, "min", "charge x voltage / power, full to empty"),
        Figure(
            "heat in a motor, hover", loss_w / motor_g, "W/g", "shaft power (1 / efficiency - 1) / motor mass"
        ),
    ]


def _root(f: Callable[[float], float], low: float, high: float) -> float:
    """Where a growing function is zero, by bisection; `high` counts as above where it cannot be computed."""
    for _ in range(60):
        middle = 0.5 * (low + high)
        try:
            above = f(middle) > 0.0
        except ValueError:
            above = True
        low, high = (low, middle) if above else (middle, high)
    return 0.5 * (low + high)
