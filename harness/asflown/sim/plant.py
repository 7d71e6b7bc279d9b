"""The plant: one craft in JSBSim, stepped at 400 Hz, and its unquantised state of every step.

Everything is SI outside this module; JSBSim's feet, slugs and pounds end here. North-east-down about the true
home, which is where the craft stands at power-up unless its start is offset. JSBSim carries a motor command out
one step later.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from importlib.resources import as_file, files
from itertools import starmap
from math import cos, degrees, isnan, pi, radians
from struct import Struct
from typing import Final

import jsbsim

from asflown.errors import HarnessFault
from asflown.frames import TangentPlane, geodetic_to_ecef
from asflown.scenario.model import Air, Start
from asflown.sim.interface import STEP_S

FOOT_M = 0.3048
PSF_PA = 47.880_258_98
SLUG_KG = 14.593_902_937
RANKINE_K = 5.0 / 9.0
ROTORS = 4

STATE_NODES = (
    "position/ecef-x-ft",
    "position/ecef-y-ft",
    "position/ecef-z-ft",
    "velocities/v-north-fps",
    "velocities/v-east-fps",
    "velocities/v-down-fps",
    "attitude/phi-rad",
    "attitude/theta-rad",
    "attitude/psi-rad",
    "velocities/p-rad_sec",
    "velocities/q-rad_sec",
    "velocities/r-rad_sec",
    "accelerations/a-pilot-x-ft_sec2",
    "accelerations/a-pilot-y-ft_sec2",
    "accelerations/a-pilot-z-ft_sec2",
    "rotor/speed-1-rad-s",
    "rotor/speed-2-rad-s",
    "rotor/speed-3-rad-s",
    "rotor/speed-4-rad-s",
    "battery/voltage-v",
)
"""The state of a step, in JSBSim's own units, as `Plant.step` returns and `Plant.drain_state` packs it."""

_OFTEN_READ = (
    "position/lat-geod-deg",
    "position/long-gc-deg",
    "position/h-agl-ft",
    "atmosphere/P-psf",
    "velocities/vt-fps",
    "battery/current-a",
)
_WAYS = ("north", "east", "down")
_LEAST_RADII = 0.5
_WASH_SHARE = 0.1
"""Of the disc loading: how much too high the barometer reads, sealed against rotor wash as well as can be, where
ground effect is greatest (common practice, no source)."""
_GREATEST_EFFECT = 1.0 / (1.0 - (0.25 / _LEAST_RADII) ** 2) - 1.0

STATE = Struct(f"<{len(STATE_NODES)}d")
_SETTLING_STEPS = 400
_GROUND_FELT_BELOW_M = 2.0
"""More than any craft here can sink in 10 ms."""
_GROUND_REACTIONS = "simulation/models/FGGroundReactions/enabled"
_LIES_BELOW_M = 0.5
_STRIKES_TILTED = cos(radians(60.0))
"""A craft tilted farther than this cosine whose rotors or top touch the ground will not fly on."""
_LEGS, _CONTACTS = ROTORS, 2 * ROTORS + 1
"""Legs first, then rotors and top."""
_STILL = (0.0, 0.0, 0.0)
_WRECK_RATE_RAD_S = 120.0
"""No craft here turns as fast in flight; steps of 2.5 ms cannot follow the tumbling of a violent impact."""

_VALUE: Final[Callable[[jsbsim.FGPropertyNode], float]] = jsbsim.FGPropertyNode.get_double_value
"""Mapped over nodes without a bytecode between them: reading the state is a third quicker than in a comprehension."""

State = list[float]
Vector = tuple[float, float, float]


class Plant:
    """One craft, powered down and at rest on the ground when constructed.

    `state` is the state of the last step, in the order of STATE_NODES.
    """

    __slots__ = (
        "_airspeed",
        "_commands",
        "_current",
        "_fdm",
        "_ground_effect_m2",
        "_ground_felt",
        "_ground_m",
        "_height",
        "_kept",
        "_latitude",
        "_least_rotor_height_m",
        "_longitude",
        "_nodes",
        "_origin_m",
        "_plane",
        "_pressure",
        "_rest_height_m",
        "_rotor_above_m",
        "_run",
        "_set_ground_effect",
        "_set_open_circuit",
        "_set_wind",
        "_sound",
        "_sound_place",
        "_state_nodes",
        "_striking",
        "_touching",
        "_wash_pa",
        "_wash_pa_s2",
        "state",
        "wrecked",
    )

    def __init__(
        self,
        airframe: str,
        start: Start,
        rest_height_m: float,
        air: Air | None = None,
        step_s: float = STEP_S,
    ) -> None:
        """`step_s` is what `step` lets pass: 2.5 ms but for hardware in the loop."""
        self._fdm = _load(airframe, step_s)
        self._nodes: dict[str, jsbsim.FGPropertyNode] = {}
        home = start.home
        self._rest_height_m, self._ground_m = rest_height_m, home.altitude_m
        ground = start.stands_at()
        if air is not None and air != Air():
            _breathe(self._fdm, air)
        _place(self._fdm, ground, start.heading_rad, rest_height_m)
        self._state_nodes = [self._node(name) for name in STATE_NODES]
        self._latitude, self._longitude, self._height, self._pressure, self._airspeed, self._current = (
            self._node(name).get_double_value for name in _OFTEN_READ
        )
        self._set_wind = [self._node(f"atmosphere/wind-{way}-fps").set_double_value for way in _WAYS]
        self._touching = [self._node(f"contact/unit[{number}]/WOW") for number in range(_CONTACTS)]
        self._striking = self._touching[_LEGS:]
        self._set_open_circuit = self._node("battery/open-circuit-v").set_double_value
        self._set_ground_effect = self._node("rotor/ground-effect").set_double_value
        radius_m = self.read("rotor/radius-m")
        self._ground_effect_m2 = (0.25 * radius_m) ** 2
        self._least_rotor_height_m = _LEAST_RADII * radius_m
        self._rotor_above_m = self.read("rotor/height-m")
        loading_pa_s2 = self.read("rotor/thrust-n-s2") / (ROTORS * pi * radius_m * radius_m)
        self._wash_pa, self._wash_pa_s2 = 0.0, _WASH_SHARE * loading_pa_s2 / _GREATEST_EFFECT
        self._commands = [self._node(f"rotor/command-{k + 1}").set_double_value for k in range(ROTORS)]
        self._run: Callable[[], bool] = self._fdm.run
        self._kept: list[State] = []
        self._ground_felt = True
        self.state: State = []
        self.wrecked = False
        for _ in range(_SETTLING_STEPS):
            self.step((0.0, 0.0, 0.0, 0.0))
        self._kept.clear()
        self.begin_tick()
        at_rest = home.latitude_deg, home.longitude_deg, home.altitude_m + self.height_m()
        self._plane, self._origin_m = TangentPlane(*at_rest), geodetic_to_ecef(*at_rest)

    def step(self, commands: tuple[float, float, float, float]) -> State:
        """2.5 ms (or `step_s`) of physics with these motor commands, each from 0 to 1."""
        set_1, set_2, set_3, set_4 = self._commands
        set_1(commands[0])
        set_2(commands[1])
        set_3(commands[2])
        set_4(commands[3])
        self._run()
        self.state = state = list(map(_VALUE, self._state_nodes))
        self._kept.append(state)
        return state

    def begin_tick(self) -> None:
        """Remembers where the craft is, and looks for the ground only near it, which saves a fifth of a step.

        Call it every 10 ms, before the steps.
        """
        height_m = self.height_m()
        self._sound = self.state
        self._sound_place = self._latitude(), self._longitude(), height_m
        near = height_m < _GROUND_FELT_BELOW_M
        if near:
            self._feel_ground(height_m)
        if near != self._ground_felt:
            self._ground_felt = near
            self.write(_GROUND_REACTIONS, float(near))
            if not near:
                self._set_ground_effect(1.0)
                self._wash_pa = 0.0

    def _feel_ground(self, height_m: float) -> None:
        """Ground effect: thrust of a rotor at constant speed grows by 1 / (1 - (R / 4 z)^2) at height z.

        Source: I. C. Cheeseman, W. E. Bennett, The Effect of the Ground on a Helicopter Rotor in Forward Flight,
        ARC R&M 3021, 1955 (hover; from memory). Below half a radius it stays what it is there. The pressure of the
        air that is dammed up under the craft grows alike, and with the thrust.
        """
        z = max(self._least_rotor_height_m, height_m + self._rotor_above_m)
        effect = 1.0 / (1.0 - self._ground_effect_m2 / (z * z))
        self._set_ground_effect(effect)
        s1, s2, s3, s4 = self.state[15:19]
        self._wash_pa = self._wash_pa_s2 * (effect - 1.0) * (s1 * s1 + s2 * s2 + s3 * s3 + s4 * s4)

    def wreck(self) -> bool:
        """Whether the craft has just been wrecked: its motors are dead from then on.

        One that strikes the ground on its side lies as it falls. One that tumbles beyond what can be simulated lies
        level, near the ground; higher up it falls on, level. Call it every 10 ms, after the steps.
        """
        (p, q, r), most = self.state[9:12], _WRECK_RATE_RAD_S
        if not (-most <= p <= most and -most <= q <= most and -most <= r <= most):
            self._calm()
        elif not self._strikes():
            return False
        first, self.wrecked = not self.wrecked, True
        for rotor in range(1, ROTORS + 1):
            self.write(f"rotor/health-{rotor}", 0.0)
        return first

    def _strikes(self) -> bool:
        """Whether rotors or top touch the ground."""
        if not self._ground_felt or cos(self.state[6]) * cos(self.state[7]) > _STRIKES_TILTED:
            return False
        return any(map(_VALUE, self._striking))

    def _calm(self) -> None:
        """Puts the craft level where it was 10 ms ago."""
        latitude_deg, longitude_deg, height_m = self._sound_place
        lies = height_m < _LIES_BELOW_M
        north, east, down = (0.0, 0.0, 0.0) if lies else self._sound[3:6]
        _place(
            self._fdm,
            (latitude_deg, longitude_deg, self._ground_m),
            self._sound[8],
            self._rest_height_m if lies else height_m,
            (north * FOOT_M, east * FOOT_M, down * FOOT_M),
        )
        self._ground_felt = True
        self.write(_GROUND_REACTIONS, 1.0)

    def check(self) -> None:
        """Raises HarnessFault when the state is not a number any more."""
        if isnan(sum(self.state)):
            values = dict(zip(STATE_NODES, self.state, strict=True))
            raise HarnessFault(
                f"The simulated craft's state is not a number any more: {values}",
                "Please report this with the flight folder.",
            )

    def drain_state(self) -> bytes:
        """The states since the last call, packed little-endian doubles."""
        kept, self._kept = self._kept, []
        return b"".join(starmap(STATE.pack, kept))

    def forget_states(self) -> None:
        """For who never drains them."""
        self._kept.clear()

    def position_ned_m(self) -> Vector:
        """Position about the true home."""
        x, y, z = self.state[:3]
        ox, oy, oz = self._origin_m
        return self._plane.rotate_to_ned(x * FOOT_M - ox, y * FOOT_M - oy, z * FOOT_M - oz)

    def velocity_ned_m_s(self) -> Vector:
        """Velocity over the ground."""
        north, east, down = self.state[3:6]
        return north * FOOT_M, east * FOOT_M, down * FOOT_M

    def attitude_rad(self) -> Vector:
        """Roll, pitch and yaw, yaw from -pi to pi."""
        roll, pitch, yaw = self.state[6:9]
        return roll, pitch, yaw - 2.0 * pi if yaw > pi else yaw

    def geodetic(self) -> Vector:
        """Latitude and longitude in degrees, altitude in metres."""
        return (
            self._latitude(),
            self._longitude(),
            self.read("position/h-sl-ft") * FOOT_M,
        )

    def height_m(self) -> float:
        """Height over the ground."""
        return self._height() * FOOT_M

    def pressure_pa(self) -> float:
        """Static pressure where the barometer is: of the air, and of what the rotors dam up near the ground."""
        return self._pressure() * PSF_PA + self._wash_pa

    def airspeed_m_s(self) -> float:
        """Speed through the air."""
        return self._airspeed() * FOOT_M

    def set_open_circuit_v(self, voltage_v: float) -> None:
        """What the battery gives unloaded."""
        self._set_open_circuit(voltage_v)

    def set_motor_health(self, motor: int, share: float) -> None:
        """The share of its speed that a motor, 1 to 4, reaches; motors of a wreck stay dead."""
        if not self.wrecked:
            self.write(f"rotor/health-{motor}", share)

    def temperature_k(self) -> float:
        """Temperature of the air."""
        return self.read("atmosphere/T-R") * RANKINE_K

    def current_a(self) -> float:
        """What is drawn from the battery."""
        return self._current()

    def on_ground(self) -> bool:
        """Whether any part touches the ground."""
        return self._ground_felt and any(map(_VALUE, self._touching))

    def mass_kg(self) -> float:
        """The craft's mass."""
        return self.read("inertia/mass-slugs") * SLUG_KG

    def inertia_kg_m2(self) -> Vector:
        """Moments of inertia about the body axes."""
        lbf_ft = SLUG_KG * FOOT_M**2
        ixx, iyy, izz = (self.read(f"inertia/i{axis}-slugs_ft2") for axis in ("xx", "yy", "zz"))
        return ixx * lbf_ft, iyy * lbf_ft, izz * lbf_ft

    def set_wind_ned_m_s(self, north: float, east: float, down: float) -> None:
        """The velocity of the air over the ground."""
        set_north, set_east, set_down = self._set_wind
        set_north(north / FOOT_M)
        set_east(east / FOOT_M)
        set_down(down / FOOT_M)

    def read(self, name: str) -> float:
        """A property of the airframe or of JSBSim, in its own unit. Raises HarnessFault when there is none."""
        return self._node(name).get_double_value()

    def write(self, name: str, value: float) -> None:
        """Sets a property. Raises HarnessFault when there is none of that name."""
        self._node(name).set_double_value(value)

    def _node(self, name: str) -> jsbsim.FGPropertyNode:
        node = self._nodes.get(name)
        if node is None:
            node = self._fdm.get_property_manager().get_node(name)
            if node is None:
                raise HarnessFault(f"The airframe's XML has no property {name!r}", "Please report this.")
            self._nodes[name] = node
        return node


def _load(airframe: str, step_s: float) -> jsbsim.FGFDMExec:
    os.environ["JSBSIM_DEBUG"] = "0"  # read by the constructor, which otherwise prints a banner
    folder = files("asflown.sim") / "airframes"
    with as_file(folder) as path:
        fdm = jsbsim.FGFDMExec(str(path))
        fdm.set_debug_level(0)
        fdm.set_dt(step_s)
        if not fdm.load_model_with_paths(airframe, str(path), str(path), str(path), False):
            raise HarnessFault(f"JSBSim refuses the airframe {airframe!r} in {path}", "Please report this.")
    return fdm


def _breathe(fdm: jsbsim.FGFDMExec, air: Air) -> None:
    fdm["atmosphere/delta-T"] = air.warmer_k / RANKINE_K
    fdm["atmosphere/P-sl-psf"] = air.sea_level_pressure_pa / PSF_PA


def _place(
    fdm: jsbsim.FGFDMExec,
    ground: Vector,
    heading_rad: float,
    height_m: float,
    velocity_ned_m_s: Vector = _STILL,
) -> None:
    """Puts the craft level, not turning, over ground at a latitude, longitude (degrees) and altitude."""
    fdm["simulation/randomseed"] = 0.0
    fdm["ic/lat-geod-deg"], fdm["ic/long-gc-deg"] = ground[0], ground[1]
    fdm["ic/terrain-elevation-ft"] = ground[2] / FOOT_M
    fdm["ic/h-agl-ft"] = height_m / FOOT_M
    fdm["ic/psi-true-deg"] = degrees(heading_rad) % 360.0
    for name in ("phi-rad", "theta-rad", "p-rad_sec", "q-rad_sec", "r-rad_sec"):
        fdm[f"ic/{name}"] = 0.0
    for name, speed_m_s in zip(("vn-fps", "ve-fps", "vd-fps"), velocity_ned_m_s, strict=True):
        fdm[f"ic/{name}"] = speed_m_s / FOOT_M
    if not fdm.run_ic():
        raise HarnessFault(f"JSBSim refuses to put a craft at {ground}", "Please report this.")
