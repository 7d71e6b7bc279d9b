"""Step responses of every release: overshoot and settling time, written as the table of harness/docs/step-responses.md.

Run as `python -m tests.benchmarks.step_responses [--out FILE]`. Calm air, seed 1, by the craft's own estimate. Settled
means: stays within 5 % of the step (position and height at least 0.15 m, heading 3 degrees, velocity 0.1 m/s).
Overshoot is what lies beyond the step's end, in per cent of the step.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from math import degrees, dist, radians
from pathlib import Path

from asflown.scenario.model import Conditions, Start
from asflown.sim.airframe import AIRFRAMES
from asflown.sim.core import Core
from asflown.sim.interface import CraftSetup, Target

FILE = Path(__file__).parents[2] / "harness" / "docs" / "step-responses.md"
RELEASES = ("r1", "r2")
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Response:
    """What came of one step."""

    airframe: str
    release: str
    step: str
    overshoot: float
    """Share of the step."""
    settled_s: float


def responses(airframe: str, release: str) -> list[Response]:
    """Flies all steps one after the other."""
    craft = Core(CraftSetup(airframe, release, Start(), Conditions(), 1))
    _run(craft, 4.0)
    assert craft.arm() == ""
    base = _here(craft)
    base = base[0], base[1], base[2] - 4.0
    craft.target = Target(*base, yaw_rad=0.0)
    _run(craft, 10.0)
    e = craft.estimate
    away = base[0] + 5.0, base[1], base[2]
    higher = away[0], away[1], away[2] - 2.0
    steps: list[tuple[str, Target, Callable[[], float], float, float]] = [
        ("5 m north", Target(*away, yaw_rad=0.0), lambda: e.north_m - base[0], 5.0, 0.25),
        ("2 m up", Target(*higher, yaw_rad=0.0), lambda: base[2] - e.down_m, 2.0, 0.15),
        ("90 deg right", Target(*higher, yaw_rad=radians(90.0)), lambda: degrees(e.yaw_rad), 90.0, 4.5),
        ("2 m/s west", _velocity(-2.0), lambda: -e.velocity_east_m_s, 2.0, 0.1),
        ("stop from 2 m/s", _velocity(0.0), lambda: 2.0 + e.velocity_east_m_s, 2.0, 0.1),
    ]
    found = []
    for name, target, measured, size, band in steps:
        craft.target = target
        values: list[float] = []
        _run(craft, 9.0, lambda values=values, measured=measured: values.append(measured()))  # type: ignore[misc]
        found.append(_response(airframe, release, name, values, size, band))
    return found


def corner_m(airframe: str, release: str, *, near_m: float) -> tuple[float, float]:
    """A right-angled corner whose next point is given `near_m` before it: distance passed at, and run wide by."""
    craft = Core(CraftSetup(airframe, release, Start(), Conditions(), 1))
    _run(craft, 4.0)
    assert craft.arm() == ""
    north, east, down = _here(craft)
    down -= 4.0
    craft.target = Target(north, east, down, yaw_rad=0.0)
    _run(craft, 10.0)
    corner, end = (north + 12.0, east, down), (north + 12.0, east + 12.0, down)
    craft.target = Target(*corner, yaw_rad=0.0, speed_limit_m_s=2.0)
    nearest, widest, turned = 99.0, 0.0, False
    for _ in range(2500):
        craft.tick()
        here = _here(craft)
        nearest, widest = min(nearest, dist(here[:2], corner[:2])), max(widest, here[0] - corner[0])
        if not turned and dist(here, corner) < near_m:
            turned = True
            craft.target = Target(*end, yaw_rad=0.0, speed_limit_m_s=2.0)
    return nearest, widest


def table() -> str:
    """The whole document."""
    lines = ["# Step responses of the built-in vehicle", ""]
    lines += [line for line in (__doc__ or "").splitlines()[2:] if line] + [""]
    lines += ["| airframe | release | step | overshoot | settled after |", "|---|---|---|---|---|"]
    for airframe in AIRFRAMES:
        for release in RELEASES:
            lines += [row(response) for response in responses(airframe, release)]
    lines += ["", "## Corners", "", CORNERS, ""]
    lines += ["| airframe | next point given | passes the corner at | runs wide by |", "|---|---|---|---|"]
    for airframe in AIRFRAMES:
        for near_m in (0.3, 1.0, 2.0):
            nearest, widest = corner_m(airframe, "r1", near_m=near_m)
            lines.append(f"| {airframe} | {near_m:g} m before | {nearest:.2f} m | {widest:.2f} m |")
    return "\n".join(lines) + "\n"


CORNERS = """\
A position target is approached so that the craft comes to rest there. When the next one is given before that, the
reference turns its velocity as fast as acceleration (limited) and jerk (limited) allow, so the corner is cut on the
inside by about what is left, and run wide by a little. Legs of 12 m at 2 m/s, right-angled, release r1:"""


def row(response: Response) -> str:
    """One line of the table."""
    r = response
    return f"| {r.airframe} | {r.release} | {r.step} | {r.overshoot:.1%} | {r.settled_s:.1f} s |"


def _response(
    airframe: str, release: str, name: str, values: list[float], size: float, band: float
) -> Response:
    outside = [index for index, value in enumerate(values) if abs(value - size) > band]
    overshoot = max(0.0, max(values) - size) / size
    return Response(airframe, release, name, overshoot, (outside[-1] + 1) / 100.0 if outside else 0.0)


def _velocity(east_m_s: float) -> Target:
    return Target(
        velocity_north_m_s=0.0, velocity_east_m_s=east_m_s, velocity_down_m_s=0.0, yaw_rad=radians(90.0)
    )


def _here(craft: Core) -> Point:
    return craft.estimate.north_m, craft.estimate.east_m, craft.estimate.down_m


def _run(craft: Core, seconds: float, watch: Callable[[], None] = lambda: None) -> None:
    for _ in range(round(seconds * 100)):
        craft.tick()
        watch()


def main() -> None:
    """Flies and writes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=FILE)
    text = table()
    parser.parse_args().out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
