"""Flights whose doom falls at a time that is known: what chance decides there, nothing puts right again.

Each is out to a place and home again. `lost-frame`: one command, sent once and never asked after, over a radio that
loses half of what goes up. `odd-reading`: a decision by the last bit of one reading. `gust`: a gust at a known time
that pushes the craft beyond a limit in about half of all turbulence. The first two are decided at one moment, which
the flight's own capture tells; the third while the gust blows.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Literal

from asflown.change.sets import read_flight
from asflown.record import decode
from tests.flights.flying import SCENARIOS

Kind = Literal["lost-frame", "odd-reading", "gust"]
GUST_S = 2.0

_SCRIPT = """\
import argparse, struct, time
from nest_boxes import Craft, SET_POINTS_MODE, is_disarmed, is_ready
from pymavlink import mavutil

parser = argparse.ArgumentParser()
parser.add_argument("--link")
began = time.monotonic()
craft = Craft(parser.parse_args().link)
craft.wait("HEARTBEAT", is_ready, 60, "the craft never became ready")
craft.command(mavutil.mavlink.MAV_CMD_COMPONENT_ARM_DISARM, 1)
start = craft.wait("LOCAL_POSITION_NED", lambda message: True, 5, "no position")
craft.command(mavutil.mavlink.MAV_CMD_NAV_TAKEOFF, 0, 0, 0, 0, 0, 0, 2.0)
top = start.z - 2.0
craft.wait("LOCAL_POSITION_NED", lambda here: here.z < top + 0.3, 20, "never reached the height")
craft.command(mavutil.mavlink.MAV_CMD_DO_SET_MODE, 1, SET_POINTS_MODE)
craft.fly_to(start.x + 5.0, start.y, top)
craft.stay(start.x + 5.0, start.y, top, {at_s} - (time.monotonic() - began))
{cause}
craft.fly_to(start.x, start.y, top)
craft.command(mavutil.mavlink.MAV_CMD_NAV_LAND)
craft.wait("HEARTBEAT", is_disarmed, 40, "never stopped its motors")
"""
_CAUSES: dict[Kind, str] = {
    "lost-frame": """\
craft.link.mav.command_long_send(
    1, 1, mavutil.mavlink.MAV_CMD_DO_CHANGE_SPEED, 0, 1, 0.7, -1, 0, 0, 0, 0
)
""",
    "odd-reading": """\
reading = craft.wait("LOCAL_POSITION_NED", lambda message: True, 5, "no position")
if struct.pack("<f", reading.x)[0] & 1:
    craft.fly_to(start.x + 5.0, start.y + 3.0, top)
""",
    "gust": "craft.stay(start.x + 5.0, start.y, top, 6.0)",
}
_RADIO = """\
asflown: 1
name: half-lost
summary: Every other frame that goes up is lost.
up:
  loss: {in_good: 50 %}
"""
_SCENARIO = """\
asflown: 1
name: doomed
vehicle: palm80
script:
  run: [python, doomed.py, --link, "{{link}}"]
  time_limit: 90 s
conditions:
  wind: {{speed: 2 m/s, from: 90 deg, turbulence: light{gusts}}}
  radio: {radio}
expect:
  path:
    legs:
      - climb: {{to: 2 m}}
      - line: {{to: [5 m, 0 m, 2 m]}}
      - hold: {{for: 3 s}}
      - return: {{speed: {speed}}}
      - land: {{}}
  measures:
    cross_track_p95: {{at_most: 1.2 m}}
    speed_on_legs: {{at_most: 0.5 m/s}}
  rules:
    - {{name: clear of the hedge, always: "east > -0.62 m"}}
"""


def write_doomed(folder: Path, kind: Kind, at_s: float, gust_m_s: float = 4.0) -> Path:
    """A scenario whose doom falls at about this time after the script's start."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(SCENARIOS / "nest_boxes" / "nest_boxes.py", folder)
    (folder / "doomed.py").write_text(_SCRIPT.format(at_s=at_s, cause=_CAUSES[kind]), encoding="utf-8")
    (folder / "half-lost.yaml").write_text(_RADIO, encoding="utf-8")
    gust = f", gusts: [{{at: {at_s} s, speed: {gust_m_s} m/s, for: {GUST_S} s}}]" if kind == "gust" else ""
    text = _SCENARIO.format(
        gusts=gust,
        radio=str((folder / "half-lost.yaml").resolve()) if kind == "lost-frame" else "ideal",
        speed="0.7 m/s" if kind == "lost-frame" else "2 m/s",
    )
    file = folder / "doomed.scenario.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def decided_s(flight: Path, kind: Kind, at_s: float) -> tuple[float, float]:
    """From when to when chance decided, by the flight's own capture."""
    if kind == "gust":
        return at_s, at_s + GUST_S
    one = read_flight(flight)
    if kind == "lost-frame":
        sent = [row for row in decode.columns(one.uplink, 76) if int(row["command"]) == 178]
        moment = one.flight_s(int(sent[0]["time_us"]))
        return moment, moment
    began = (one.manifest.script.started_us or 0) / 1e6
    heard = [one.flight_s(int(row["time_us"])) for row in decode.columns(one.downlink, 32)]
    moment = next(at for at in heard if at >= began + at_s)
    return moment, moment
