"""A sound scenario and vehicle file for tests to spoil, one thing at a time."""

from __future__ import annotations

from pathlib import Path

SCENARIO = """\
asflown: 1
name: pond-round
summary: Once along a pond and back.
vehicle: palm80
script:
  run: [python, pond.py, --link, "{link}"]
  link: {style: pymavlink, side: listens}
  time_limit: 90 s
  compute: 0 ms
start:
  home: {latitude: 52.0 deg, longitude: 4.5 deg, altitude: 0 m}
  heading: 30 deg
  battery: 100 %
conditions:
  wind: {speed: 2 m/s, from: 240 deg, turbulence: light}
  radio: ideal
  faults:
    - {at: 21 s, inject: gnss-loss, for: 6 s}
expect:
  path:
    frame: start-heading
    legs:
      - climb: {to: 3 m}
      - line: {to: [8 m, 0 m, 3 m], speed: 2 m/s}
      - hold: {for: 3 s}
      - return: {}
      - land: {}
  measures:
    cross_track_p95: {at_most: 0.8 m}
    dwell_at_holds: {at_least: 2.5 s}
    duration: {between: [30 s, 90 s]}
  rules:
    - {name: ceiling, always: "height < 4.5 m"}
    - {name: climbs promptly, formula: "eventually[0 s, 12 s] (height > 2.8 m)"}
judge: every-flight
repeat: {flights: 2, seeds: [7, 8]}
clock: any
guard: {height: 8 m, distance: 40 m, battery: 15 %, script_silent: 10 s}
"""

VEHICLE = """\
asflown: 1
name: shed-quad
kind: airframe
link: serial:///dev/ttyUSB0?baud=57600
system: 1
identity:
  autopilot: 200
  modes: {set-points: 41, position-hold: [3, 1], land: 44}
  pilot_modes: [50, 51]
  set_point_stream: {before_entry: 1 s, time_out: 500 ms}
parameters: {expect: shed-quad.params.csv}
radio: ideal
"""


def write_scenario(folder: Path, text: str = SCENARIO, name: str = "pond.scenario.yaml") -> Path:
    """A scenario file in `folder`, with the script it runs beside it."""
    (folder / "pond.py").touch()
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def spoilt(text: str, old: str, new: str) -> str:
    """`text` with `old` replaced once; it must be there."""
    assert text.count(old) >= 1, old
    return text.replace(old, new, 1)
