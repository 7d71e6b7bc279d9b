"""Flights of the bare core for tests: power up, arm, go somewhere, land; no autopilot, no MAVLink."""

from __future__ import annotations

from collections.abc import Callable
from math import dist, hypot

from asflown.scenario.model import Conditions, Fault, Start, Wind
from asflown.sim.core import Core
from asflown.sim.interface import CraftSetup, Target

Point = tuple[float, float, float]


def core(
    airframe: str = "palm80",
    *,
    seed: int = 1,
    wind: Wind | None = None,
    faults: tuple[Fault, ...] = (),
    start: Start | None = None,
) -> Core:
    """A core that has just been powered up."""
    conditions = Conditions(wind=wind or Wind(), faults=faults)
    return Core(CraftSetup(airframe, "r1", start or Start(), conditions, seed))


def run(craft: Core, seconds: float, watch: Callable[[], object] | None = None) -> None:
    """Lets time pass; `watch` is called after every tick."""
    for _ in range(round(seconds * 100)):
        craft.tick()
        if watch is not None:
            watch()


def here(craft: Core) -> Point:
    """Where the craft believes it is."""
    return craft.estimate.north_m, craft.estimate.east_m, craft.estimate.down_m


def armed(airframe: str = "palm80", **conditions: object) -> Core:
    """A core that knows its position and is armed, its motors idling."""
    craft = core(airframe, **conditions)  # type: ignore[arg-type]
    run(craft, 4.0)
    assert craft.arm() == ""
    return craft


def hovering(airframe: str = "palm80", height_m: float = 3.0, **conditions: object) -> Core:
    """A core that hovers over its starting place."""
    craft = armed(airframe, **conditions)
    north, east, down = here(craft)
    go_to(craft, (north, east, down - height_m))
    run(craft, 2.0)
    return craft


def go_to(craft: Core, point: Point, *, speed_m_s: float | None = None, limit_s: float = 60.0) -> list[Point]:
    """Flies to a point (estimate's frame) until it is within 0.4 m; returns the estimated positions on the way."""
    craft.target = Target(*point, yaw_rad=craft.estimate.yaw_rad, speed_limit_m_s=speed_m_s)
    path: list[Point] = []
    for _ in range(round(limit_s * 100)):
        craft.tick()
        path.append(here(craft))
        if dist(path[-1], point) < 0.4:
            return path
    raise AssertionError(f"not at {point} after {limit_s} s, but at {path[-1]}")


def land(craft: Core, limit_s: float = 60.0) -> None:
    """Lands where the craft is; done when its own detector says so."""
    north, east, _ = here(craft)
    craft.target = Target(north, east, land=True)
    for _ in range(round(limit_s * 100)):
        craft.tick()
        if craft.on_ground:
            return
    raise AssertionError(f"not down after {limit_s} s, but at {here(craft)}")


def cross_track_m(path: list[Point], start: Point, end: Point) -> float:
    """Largest horizontal distance of a path from the straight line through two points."""
    north, east = end[0] - start[0], end[1] - start[1]
    length = hypot(north, east)
    return max(abs((p[1] - start[1]) * north - (p[0] - start[0]) * east) / length for p in path)
