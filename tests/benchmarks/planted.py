"""Three scenarios with a weakness that was planted, for searches to find: each passes as its file stands.

The flight is the same: to a place on the right, to one on the left, where a hedge stands close by, and home. `gust`: a
gust from the right while it is at the hedge. `delay`: while it lands by set-points, the script counts on where it was
when it hears nothing, and drifts off; elsewhere it waits. `jump`: a jump of GNSS while it holds at the hedge; the
truth is graded. All of it is invented.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Literal

from tests.flights.flying import SCENARIOS

Plant = Literal["gust", "delay", "jump"]
PLANTS: dict[Plant, str] = {
    "gust": "a gust at the corner by the hedge",
    "delay": "a delay of the link while landing",
    "jump": "a jump of GNSS while holding",
}

_SCRIPT = """\
import argparse, time
from nest_boxes import Craft, SET_POINTS_MODE, is_disarmed, is_ready
from pymavlink import mavutil

parser = argparse.ArgumentParser()
parser.add_argument("--link")
craft = Craft(parser.parse_args().link)
craft.wait("HEARTBEAT", is_ready, 60, "the craft never became ready")
craft.command(mavutil.mavlink.MAV_CMD_COMPONENT_ARM_DISARM, 1)
start = craft.wait("LOCAL_POSITION_NED", lambda message: True, 5, "no position")
craft.command(mavutil.mavlink.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 3.0)
top = start.z - 3.0
craft.wait("LOCAL_POSITION_NED", lambda here: here.z < top + 0.3, 20, "never reached the height")
craft.command(mavutil.mavlink.MAV_CMD_DO_SET_MODE, 1, SET_POINTS_MODE)
for north, east in ((4.0, 3.0), (4.0, -3.0)):
    craft.fly_to(start.x + north, start.y + east, top)
    craft.stay(start.x + north, start.y + east, top, 3.0)
craft.fly_to(start.x, start.y, top)
drift, height = 0.0, 3.0
while height > 0.8:  # down by set-points; in silence it goes on as it believes the wind to be
    craft.go(start.x - drift, start.y, start.z - height)
    if craft.receive("LOCAL_POSITION_NED", timeout=0.5) is None:
        drift += 0.6
    height -= 0.03
craft.command(mavutil.mavlink.MAV_CMD_NAV_LAND)
craft.wait("HEARTBEAT", is_disarmed, 40, "never stopped its motors")
"""
_SCENARIO = """\
asflown: 1
name: planted-{plant}
vehicle: palm80
script:
  run: [python, planted.py, --link, "{{link}}"]
  time_limit: 90 s
conditions:
{conditions}
expect:
  path:
    legs:
      - climb: {{to: 3 m}}
      - line: {{to: [4 m, 3 m, 3 m]}}
      - hold: {{for: 3 s}}
      - line: {{to: [4 m, -3 m, 3 m]}}
      - hold: {{for: 3 s}}
      - return: {{}}
      - land: {{}}
  measures:
    landing_offset: {{at_most: {landing}}}
  rules:
    - {{name: clear of the hedge, always: "east > {hedge}"}}
  source: {source}
campaign:
  flights: 60
  seed: {seed}
  vary:
{vary}
"""
_CONDITIONS: dict[Plant, str] = {
    "gust": "  wind: {speed: 1 m/s, from: 240 deg, turbulence: light, "
    "gusts: [{at: 10 s, speed: 1 m/s, for: 2 s, from: 0 deg}]}",
    "delay": "  wind: {speed: 1 m/s, from: 240 deg, turbulence: light}\n"
    "  faults: [{at: 10 s, inject: link-loss, for: 100 ms}]",
    "jump": "  wind: {speed: 1 m/s, from: 240 deg, turbulence: light}\n"
    "  faults: [{at: 10 s, inject: gnss-jump, for: 3 s, severity: 2 %}]",
}
_VARY: dict[Plant, str] = {
    "gust": "    conditions.wind.gusts.0.at: {uniform: [4 s, 36 s]}\n"
    "    conditions.wind.gusts.0.speed: {uniform: [1 m/s, 8 m/s]}\n"
    "    conditions.wind.gusts.0.from: {uniform: [0 deg, 360 deg]}",
    "delay": "    conditions.faults.0.at: {uniform: [4 s, 36 s]}\n"
    "    conditions.faults.0.for: {uniform: [0.1 s, 2.9 s]}",
    "jump": "    conditions.faults.0.at: {uniform: [4 s, 36 s]}\n"
    "    conditions.faults.0.severity: {uniform: [2 %, 40 %]}",
}

_HEDGE: dict[Plant, str] = {"gust": "-3.5 m", "delay": "-3.8 m", "jump": "-4.3 m"}
"""At -3.8 m most seeds have no gust within its range that reaches the hedge."""


def write_planted(folder: Path, plant: Plant, seed: int) -> Path:
    """The scenario with one weakness and a campaign with this seed."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(SCENARIOS / "nest_boxes" / "nest_boxes.py", folder)
    (folder / "planted.py").write_text(_SCRIPT, encoding="utf-8")
    file = folder / f"planted-{plant}.scenario.yaml"
    file.write_text(
        _SCENARIO.format(
            plant=plant, conditions=_CONDITIONS[plant], vary=_VARY[plant], seed=seed,
            source="truth" if plant == "jump" else "estimate",
            landing="3 m" if plant == "jump" else "1.5 m", hedge=_HEDGE[plant],
        ),
        encoding="utf-8",
    )  # fmt: skip
    return file
