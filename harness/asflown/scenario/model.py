"""The scenario as data: what `scenario/file.py` reads and everything else uses.

Values are SI (angles in radians, shares from 0 to 1), except that geodetic coordinates stay in degrees.
A field's name carries its unit; the key in the file is its alias. Models are frozen; unknown keys are errors.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from asflown.frames import TangentPlane
from asflown.scenario.base import Command, Model, Name
from asflown.scenario.campaign import Campaign
from asflown.scenario.vehicle_parts import Container, Firmware, Interlock, Preflight
from asflown.units import Angle, Degrees, Duration, Length, Pressure, Share, Speed, TemperatureDifference


class ScriptLink(Model):
    """How the script is told where its vehicle is. `{link}` is spelled in `style`."""

    style: Literal["pymavlink", "url", "host-port"] = "pymavlink"
    """How `{link}` is spelled: `udpin:HOST:PORT` as pymavlink has it, `udp-listen://HOST:PORT`, or
    `HOST:PORT`."""
    side: Literal["listens", "dials"] = "listens"
    """`listens`: the script opens a UDP port and waits, the hub speaks first. `dials`: the script speaks first."""
    transport: Literal["udp", "tcp", "serial"] = "udp"
    """`serial` gives the script a pseudo-terminal of its own."""


class Script(Model):
    """The user's own program, run unmodified. Paths in `run` are relative to the scenario file's folder."""

    run: Command
    """The program and its arguments; `{link}`, `{host}`, `{port}` and `{baud}` are filled in."""
    link: ScriptLink = ScriptLink()
    """How it is told where its vehicle is."""
    listens: str | None = None
    """A port of the script's own, as `udp-listen://host:port`; then `link` is not used."""
    dials: str | None = None
    """A port the script dials, as `udp://host:port` or `tcp://host:port`: the hub listens there."""
    beside: tuple[Command, ...] = ()
    """Programs started before the script and stopped after it."""
    time_limit_s: Duration = Field(default=120.0, validation_alias="time_limit", gt=0)
    """Flight time after which the script is ended, and the flight fails."""
    compute_s: Duration = Field(default=0.0, validation_alias="compute", ge=0)
    """Virtual time charged for each wake-up of the script: what its computing would take on the real
    machine."""
    exit_code: int = Field(default=0, ge=0, le=255)
    """What the script must end with."""


class Home(Model):
    """Where north-east-down is zero; WGS-84, altitude above mean sea level."""

    latitude_deg: Degrees = Field(default=52.0, validation_alias="latitude", ge=-90, le=90)
    """North positive."""
    longitude_deg: Degrees = Field(default=4.5, validation_alias="longitude", ge=-180, le=180)
    """East positive."""
    altitude_m: Length = Field(default=0.0, validation_alias="altitude")
    """Above mean sea level."""


class Offset(Model):
    """Over level ground, from a place that was surveyed to where something really is."""

    north_m: Length = Field(default=0.0, validation_alias="north", ge=-1000, le=1000)
    """Northwards."""
    east_m: Length = Field(default=0.0, validation_alias="east", ge=-1000, le=1000)
    """Eastwards."""


class Start(Model):
    """The vehicle before take-off: on the ground at home, or `offset` from it."""

    home: Home = Home()
    """The surveyed place of take-off."""
    offset: Offset = Offset()
    """Where a simulated vehicle stands really; `home` stays where paths in the `geodetic` frame count from."""
    heading_rad: Angle = Field(default=0.0, validation_alias="heading")
    """Where the nose points, clockwise from north."""
    battery: Share = Field(default=1.0, ge=0, le=1)
    """Charge at the start."""

    def stands_at(self) -> tuple[float, float, float]:
        """Where a simulated vehicle stands: latitude and longitude in degrees, altitude in metres."""
        home, offset = self.home, self.offset
        if offset.north_m == offset.east_m == 0.0:
            return home.latitude_deg, home.longitude_deg, home.altitude_m
        plane = TangentPlane(home.latitude_deg, home.longitude_deg, home.altitude_m)
        latitude_deg, longitude_deg, _ = plane.to_geodetic(offset.north_m, offset.east_m, 0.0)
        return latitude_deg, longitude_deg, home.altitude_m


class Gust(Model):
    """A gust on top of the wind: it swells from flight time `at` on, is strongest half-way, and over after `for`."""

    at_s: Duration = Field(validation_alias="at", ge=0)
    """When it begins."""
    speed_m_s: Speed = Field(validation_alias="speed", gt=0)
    """Its strongest wind, on top of the steady one."""
    for_s: Duration = Field(validation_alias="for", gt=0)
    """How long it lasts."""
    from_rad: Angle | None = Field(default=None, validation_alias="from")
    """As the wind, when not given."""


class Wind(Model):
    """Steady wind at 6 m (20 ft) and the class of turbulence that comes with it; `from` is clockwise from north."""

    speed_m_s: Speed = Field(default=0.0, validation_alias="speed", ge=0)
    """Of the steady wind."""
    from_rad: Angle = Field(default=0.0, validation_alias="from")
    """Where it comes from, clockwise from north."""
    turbulence: Literal["none", "light", "moderate", "severe"] = "none"
    """How rough it is, by height above ground."""
    gusts: tuple[Gust, ...] = ()
    """Single gusts."""


class Fault(Model):
    """Something that goes wrong, at a flight time, for a while or for good."""

    at_s: Duration = Field(validation_alias="at", ge=0)
    """Flight time."""
    inject: Literal[
        "gnss-loss",
        "gnss-jump",
        "gnss-stuck",
        "motor-weak",
        "motor-stop",
        "battery-sag",
        "compass-offset",
        "compass-stuck",
        "barometer-drift",
        "barometer-stuck",
        "imu-clipping",
        "feed-loss",
        "link-loss",
    ]
    """What goes wrong."""
    for_s: Duration | None = Field(default=None, validation_alias="for")
    """How long; for good, when not given."""
    severity: Share = Field(default=1.0, gt=0, le=5)
    """Times the fault's own size, where it has one: `200 %` of a compass offset of 25 deg is 50 deg."""
    unit: int = Field(default=1, ge=1, le=4)
    """Which motor, clockwise from the front right, for faults of motors."""


class PositionFeed(Model):
    """A position measured outside the vehicle, for flights without GNSS: `gnss-loss` at 0 s leaves it alone."""

    every_s: Duration = Field(default=0.05, validation_alias="every", ge=0.01, le=1)
    """How often it is measured."""
    error_m: Length = Field(default=0.02, validation_alias="error", ge=0, le=1)
    """Standard deviation of each axis."""
    delay_s: Duration = Field(default=0.04, validation_alias="delay", ge=0, le=0.3)
    """How old it is when it arrives."""


class Air(Model):
    """The air of the day beside the standard atmosphere (ISO 2533): warm or low air carries less."""

    warmer_k: TemperatureDifference = Field(default=0.0, validation_alias="warmer", ge=-60, le=40)
    """Than the standard has it at the same height; negative: colder."""
    sea_level_pressure_pa: Pressure = Field(
        default=101_325.0, validation_alias="sea_level_pressure", ge=87_000, le=108_500
    )
    """Of the day."""


Seed = Annotated[int, Field(ge=0, lt=2**63)]
"""What all randomness of a flight is drawn from."""


class Chance(Model):
    """Chance of a second seed from a flight time on: up to it the flight is the one of its own seed, bit by bit.

    It renews what is drawn as the flight goes on (noise of sensors, turbulence, loss on the radio) of a built-in
    vehicle. What is drawn once for the whole flight stays, such as biases; so do faults and gusts of the scenario.
    """

    anew_at_s: Duration = Field(validation_alias="anew_at", ge=0)
    """Flight time from which the second seed counts."""
    seed: Seed
    """The second seed."""


class CraftShares(Model):
    """How one craft differs from its airframe's design: each a share of the design's own number."""

    mass: Share = Field(default=1.0, ge=0.7, le=1.4)
    """What is more is carried at the centre of gravity."""
    thrust: Share = Field(default=1.0, ge=0.6, le=1.6)
    """Of each rotor at a given speed."""
    drag: Share = Field(default=1.0, ge=0.2, le=5)
    """Of body and rotors, along all axes."""
    sensor_errors: Share = Field(default=1.0, ge=0, le=5)
    """Noise, bias and drift of all sensors."""

    def times(self, other: CraftShares) -> CraftShares:
        """Both differences together, however large they have become."""
        return CraftShares.model_construct(
            mass=self.mass * other.mass,
            thrust=self.thrust * other.thrust,
            drag=self.drag * other.drag,
            sensor_errors=self.sensor_errors * other.sensor_errors,
        )


class Conditions(Model):
    """What a simulated vehicle is given; on hardware, what the operator notes down."""

    wind: Wind = Wind()
    """Wind, turbulence and gusts."""
    air: Air = Air()
    """Warm or low air."""
    craft: CraftShares = CraftShares()
    """The craft of the day: with a load, worn propellers, a poor receiver."""
    radio: str = "ideal"
    """A link profile: one of `asflown link profiles`, or a file."""
    faults: tuple[Fault, ...] = ()
    """What goes wrong, and when."""
    position_feed: PositionFeed | None = None
    """A position from outside, as a motion capture system gives it."""
    chance: Chance | None = None
    """Another seed from a moment on."""


Point = Annotated[tuple[Length, Length, Length], Field()]
"""[forward, right, up] or [north, east, up] in metres, by the path's frame."""


class GeoPoint(Model):
    """A point of a path in the `geodetic` frame; `up` is metres above home."""

    latitude_deg: Degrees = Field(validation_alias="latitude", ge=-90, le=90)
    """North positive."""
    longitude_deg: Degrees = Field(validation_alias="longitude", ge=-180, le=180)
    """East positive."""
    up_m: Length = Field(validation_alias="up")
    """Above home."""


class Climb(Model):
    """Straight up or down to a height above the start point."""

    to_m: Length = Field(validation_alias="to")
    """The height."""


class GeoCentre(Model):
    """The centre of an arc in the `geodetic` frame."""

    latitude_deg: Degrees = Field(validation_alias="latitude", ge=-90, le=90)
    """North positive."""
    longitude_deg: Degrees = Field(validation_alias="longitude", ge=-180, le=180)
    """East positive."""


def _written_as(value: object) -> str:
    """Which of two ways a place is written in, so that an error speaks of that way alone.

    The words stand in an error's path of keys; the tilde tells them from keys.
    """
    return "~geodetic" if isinstance(value, dict | GeoPoint | GeoCentre) else "~metres"


PointOrGeoPoint = Annotated[
    Annotated[Point, Tag("~metres")] | Annotated[GeoPoint, Tag("~geodetic")], Discriminator(_written_as)
]
CentreOrGeoCentre = Annotated[
    Annotated[tuple[Length, Length], Tag("~metres")] | Annotated[GeoCentre, Tag("~geodetic")],
    Discriminator(_written_as),
]


class Line(Model):
    """Straight to a point; `speed` is what speed_on_legs is measured against."""

    to: PointOrGeoPoint
    """Where it ends: `[8 m, 0 m, 3 m]`, or latitude, longitude and up in the `geodetic` frame."""
    speed_m_s: Speed | None = Field(default=None, validation_alias="speed", gt=0)
    """Ground speed that is planned."""


class Arc(Model):
    """Round a centre at the current height, by an angle that is positive to the right (clockwise from above)."""

    around: CentreOrGeoCentre
    """The centre: `[10 m, 0 m]`, or latitude and longitude in the `geodetic` frame."""
    turn_rad: Angle = Field(validation_alias="turn")
    """How far round, positive to the right: `360 deg`."""
    speed_m_s: Speed | None = Field(default=None, validation_alias="speed", gt=0)
    """Ground speed that is planned."""


class Hold(Model):
    """Stay where the last leg ended."""

    for_s: Duration = Field(validation_alias="for", gt=0)
    """How long."""


class Return(Model):
    """Straight back to above the start point, at the height flown last."""

    speed_m_s: Speed | None = Field(default=None, validation_alias="speed", gt=0)
    """Ground speed that is planned."""


class Land(Model):
    """Down to the ground where the last leg ended."""


class Leg(Model):
    """Exactly one of these is given (checked when the file is read)."""

    climb: Climb | None = None
    """Up or down, on the spot."""
    line: Line | None = None
    """Straight to a point."""
    arc: Arc | None = None
    """Round a centre."""
    hold: Hold | None = None
    """Stay."""
    return_: Return | None = Field(default=None, validation_alias="return")
    """Back to above the start: `return: {}`."""
    land: Land | None = None
    """Down to the ground: `land: {}`."""


class ExpectedPath(Model):
    """The legs in order, starting on the ground at the start point."""

    frame: Literal["start-heading", "north-east", "geodetic"] = "start-heading"
    """What points count in: forward, right and up from the start; north, east and up from home; or WGS-84."""
    legs: tuple[Leg, ...] = Field(min_length=1)
    """One after the other."""


class Limit(Model):
    """What a measure may be, in SI; exactly one of the three. `scale` is what a margin of 1 is measured in."""

    formula: str | None = Field(
        default=None, description="a measure of one's own, such as `p95(abs(climb_rate)) at leg 3`"
    )
    at_most: float | None = None
    """The measure may not be larger."""
    at_least: float | None = None
    """The measure may not be smaller."""
    between: tuple[float, float] | None = None
    """The measure may be neither smaller nor larger: `[30 s, 90 s]`."""
    scale: float | None = Field(default=None, gt=0)
    """What a margin of 1 is measured in; needed where the limit is 0."""


class Rule(Model):
    """A temporal logic rule. `always` is the short form for one predicate that must hold all the time."""

    name: str
    """What reports call it."""
    always: str | None = None
    """A condition that must hold all the time: `height < 4.5 m`."""
    formula: str | None = None
    """Any formula: `eventually[0 s, 12 s] (height > 2.8 m)`."""
    let: dict[str, str] = Field(default_factory=dict)
    """Named parts, which the rule and later parts may use like flags."""


class Expect(Model):
    """What is expected of a flight."""

    path: ExpectedPath | None = None
    """The path that should be flown."""
    measures: dict[str, Limit] = Field(default_factory=dict)
    """Limits of measures, by their names."""
    rules: tuple[Rule, ...] = ()
    """What must hold, and when."""
    source: Literal["estimate", "truth", "both"] = "estimate"
    """Which track is graded: what the vehicle reported, or what the simulation knows."""


class Share90(Model):
    """Pass when Clopper-Pearson shows, with this confidence, that at least this share of flights would pass."""

    share: float = Field(
        gt=0, lt=1, description="of all flights; also what tolerance limits of measures cover"
    )
    confidence: float = Field(ge=0.5, lt=1, description="how sure a pass, a fail and a tolerance limit are")
    tolerance: Literal["distribution-free", "normal"] = Field(
        default="distribution-free",
        description="how tolerance limits of measures are found: normal ones take fewer flights, and are right only "
        "where values are normally distributed, which is to be known before flying",
    )


def _judged_by(value: object) -> str:
    return "~share" if isinstance(value, dict | Share90) else "~word"


JudgeWay = Annotated[
    Annotated[Literal["every-flight"], Tag("~word")] | Annotated[Share90, Tag("~share")],
    Discriminator(_judged_by),
]


class Repeat(Model):
    """How many flights, and with which seeds: 1, 2, 3, ... when none are given. Seeds alone say how many."""

    flights: int = Field(default=1, ge=1)
    """How many."""
    seeds: tuple[Seed, ...] = ()
    """One for each flight."""

    @model_validator(mode="before")
    @classmethod
    def _as_many_as_seeds(cls, given: Any) -> Any:
        seeds = given.get("seeds") if isinstance(given, dict) else None
        if isinstance(seeds, list | tuple):
            given = {**given, "seeds": tuple(seeds)}
        if isinstance(seeds, list | tuple) and seeds and "flights" not in given:
            return {**given, "flights": len(seeds)}
        return given


class GuardLimits(Model):
    """When the guard steps in; None means that it does not watch this."""

    height_m: Length | None = Field(default=None, validation_alias="height", gt=0)
    """Above the start point, at most."""
    distance_m: Length | None = Field(default=None, validation_alias="distance", gt=0)
    """Horizontally from the start point, at most."""
    speed_m_s: Speed | None = Field(default=None, validation_alias="speed", gt=0)
    """Over the ground, in any direction: faster for half a second counts as running away."""
    battery: Share | None = Field(default=None, ge=0, le=1)
    """Below it the vehicle is brought home."""
    battery_critical: Share | None = Field(default=None, ge=0, le=1)
    """Below it the vehicle is set down where it is; half of `battery` when not given."""
    script_silent_s: Duration | None = Field(default=None, validation_alias="script_silent", gt=0)
    """How long the script may say nothing while it flies."""
    position_lost_s: Duration = Field(default=2.0, validation_alias="position_lost", gt=0)
    """How long the vehicle may be without a position; always watched."""
    link_lost_s: Duration | None = Field(default=None, validation_alias="link_lost", gt=0)
    """Silence of the vehicle after which it is asked to come home, should it still hear."""


class Scenario(Model):
    """One scenario file."""

    asflown: Literal[1]
    """Version of the file format."""
    name: Name
    summary: str = ""
    """One sentence for reports."""
    vehicle: str | None = None
    """The vehicle flown when the command names none: `palm80`, `field1400`, or a vehicle file."""
    script: Script
    """What flies the vehicle."""
    start: Start = Start()
    """Where and how the vehicle stands before take-off."""
    conditions: Conditions = Conditions()
    """Wind, air, radio and faults."""
    expect: Expect
    """What the flight is held against."""
    judge: JudgeWay = "every-flight"
    """How several flights become one verdict: each must pass, or a share of them, shown with a confidence."""
    repeat: Repeat = Repeat()
    """How many flights, and with which seeds."""
    clock: Literal["any", "lockstep", "paced"] = "any"
    """`lockstep` makes it an error when the script cannot be held to virtual time; `paced` flies by wall
    time."""
    guard: GuardLimits = GuardLimits()
    """When the guard steps in and brings the vehicle down."""
    campaign: Campaign | None = None
    """What varies in a campaign."""


class StreamIdentity(Model):
    """What a firmware demands of the set-point stream."""

    before_entry_s: Duration = Field(default=0.0, validation_alias="before_entry")
    """How long set-points must have come before their mode may be entered."""
    time_out_s: Duration = Field(default=0.5, validation_alias="time_out")
    """After how long without one the firmware leaves their mode."""


ModeName = Literal["set-points", "position-hold", "safe-recovery", "mission", "land", "take-off", "orbit"]
"""The standard modes, and `set-points` for the one that has no standard name."""

Byte = Annotated[int, Field(ge=0, le=255)]
CustomMode = Annotated[int, Field(ge=0, lt=2**32)]
ModeNumber = Annotated[
    Annotated[CustomMode, Tag("~number")] | Annotated[tuple[Byte, Byte], Tag("~pair")],
    Discriminator(lambda value: "~pair" if isinstance(value, list | tuple) else "~number"),
]
"""A custom mode as it stands in HEARTBEAT, or its main and sub mode."""


class Identity(Model):
    """How this firmware numbers things: plain facts, given by its user. A mode is a number or a pair (main, sub)."""

    autopilot: int | None = Field(default=None, ge=0, le=255)
    """MAV_AUTOPILOT in HEARTBEAT."""
    vehicle_type: int | None = Field(default=None, ge=0, le=255)
    """MAV_TYPE in HEARTBEAT."""
    modes: dict[ModeName, ModeNumber] = Field(default_factory=dict)
    """The number of each mode: `{set-points: 41}`."""
    pilot_modes: tuple[int, ...] = ()
    """Entering one of these means that the pilot has taken over."""
    parameter_encoding: Literal["c-cast", "bytewise"] = "c-cast"
    """How whole numbers travel in the float field of the parameter protocol (built-in only)."""
    set_point_stream: StreamIdentity = StreamIdentity()
    """What it demands of set-points."""
    firmware: Firmware = Firmware()
    """Airframe and bench: compared before anything is sent."""


class Parameters(Model):
    """What is known of a vehicle's parameters."""

    expect: str | None = None
    """A file with names and values, compared before flight; absolute once the vehicle file is read."""
    start: str | None = None
    """Built-in only: a file with names and values that it powers up with, as one retunes a simulated vehicle."""


class VehicleFile(Model):
    """One vehicle file, or a built-in vehicle by its name alone."""

    asflown: Literal[1] = 1
    """Version of the file format."""
    name: Name
    kind: Literal["built-in", "container", "bench", "airframe"]
    """Simulated here, in a container, a flight controller on a bench, or an aircraft."""
    airframe: Literal["palm80", "field1400"] | None = None
    """Built-in only: which of the two is flown."""
    craft: CraftShares = CraftShares()
    """Built-in only: how this one differs from the airframe's design."""
    release: str = "r1"
    """Built-in only: version of the flight controller."""
    container: Container | None = None
    """Container only, and needed there."""
    link: str | None = None
    """Where a bench or an airframe is, spelled as `asflown.url` has it."""
    physics: Literal["simulated", "none"] | None = None
    """Bench only: whether its sensors and actuators are simulated."""
    physics_link: str | None = None
    """Bench with simulated physics: the link of its sensors and actuators."""
    simulates: Literal["palm80", "field1400"] | None = None
    """Bench with simulated physics: the airframe whose physics it gets, and that preflight flies; airframe: what
    preflight flies in its place."""
    unattended: Literal["bench"] | None = None
    """Bench only: a rig that flies without an operator beside it, as at night in CI."""
    interlock: Interlock | None = None
    """Bench only: a command of the user's that ends with 0 while nothing can turn."""
    system: int = Field(default=1, ge=1, le=255)
    """Its MAVLink system number."""
    component: int = Field(default=1, ge=1, le=255)
    """Airframe and bench: the autopilot's own, beside `system`."""
    identity: Identity = Identity()
    """How its firmware numbers things."""
    parameters: Parameters = Parameters()
    """What its parameters should be."""
    preflight: Preflight = Preflight()
    """What is looked at before it flies."""
    intervals: dict[str, Duration] = Field(default_factory=dict)
    """Airframe and bench: messages asked for, and how often; without it, those that grading needs."""
    radio: str | None = None
    """The profile of its radio: emulated in front of a simulated vehicle, the budget of a real one."""
