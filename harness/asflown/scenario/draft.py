"""A first scenario file, written for a person: every part has a comment that says what it is for and how to go on.

What is written can be read by `scenario/file.py`; limits are generous, to be tightened from flown flights.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from asflown.scenario.script_reading import LinkGuess

_LONGEST_REMARK = 110
_PLAIN = re.compile(r"[A-Za-z_./][\w./-]*")


@dataclass(frozen=True, slots=True)
class DraftLeg:
    """A leg as it is written: the text behind the hyphen."""

    text: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Draft:
    """What a new scenario file is made from."""

    name: str
    vehicle: str
    run: tuple[str, ...]
    """Program and script, relative to the file's folder, without the link's arguments."""
    link: LinkGuess
    legs: tuple[DraftLeg, ...]
    drawn_from: str = ""
    """The flight that the legs were drawn from; empty when they are an example."""
    heading_rad: float = 0.0
    home: tuple[float, float, float] | None = None
    """Degrees, degrees, metres."""
    highest_m: float = 3.0
    farthest_m: float = 20.0
    beside_m: float = 2.0
    """How far beside a line, or short of its end, is allowed."""
    duration_s: float | None = None
    time_limit_s: float = 120.0


def drafted(draft: Draft) -> str:
    """The text of the file."""
    return "\n".join(_lines(draft)) + "\n"


def word(text: str) -> str:
    """A text as YAML takes it: bare where that is safe, quoted otherwise."""
    return text if _PLAIN.fullmatch(text) else json.dumps(text, ensure_ascii=False)


def _remark(text: str) -> str:
    """Words of others on one line of a comment: nothing in them may become a key of the file."""
    shown = "".join(sign if sign.isprintable() else " " for sign in text)
    return shown if len(shown) <= _LONGEST_REMARK else f"{shown[:_LONGEST_REMARK]} ..."


def _lines(draft: Draft) -> Iterator[str]:
    yield f"# What {draft.name} should do. Check it: asflown check FILE. Fly it: asflown fly FILE."
    yield "# Numbers carry their units. All keys: asflown check --schema."
    yield "asflown: 1"
    yield f"name: {draft.name}"
    yield 'summary: ""                        # one sentence for reports'
    yield f"vehicle: {word(draft.vehicle)}                    # palm80, field1400 or a *.vehicle.yaml file"
    yield from _script(draft)
    yield from _start(draft)
    yield from _conditions()
    yield "expect:"
    yield from _path(draft)
    yield from _measures(draft)
    yield from _rules(draft)
    yield "repeat: {flights: 1}               # more flights, each with a seed of its own: {flights: 3}"
    yield "guard:                             # beyond these limits it steps in and brings the vehicle down"
    yield f"  height: {_guard_m(draft.highest_m)} m"
    yield f"  distance: {_guard_m(draft.farthest_m)} m"
    yield "  battery: 15 %"
    yield "  script_silent: 10 s              # your script sends something at least so often, until it has landed"


def _script(draft: Draft) -> Iterator[str]:
    link = draft.link
    yield "script:"
    yield f"  # {_remark(link.because)}."
    for needed in link.also_needed:
        yield f"  # It also demands {_remark(needed)}: add it to `run`."
    yield f"  run: [{', '.join(word(text) for text in (*draft.run, *link.words))}]"
    if link.listens:
        yield f"  listens: {link.listens}"
    elif link.dials:
        yield f"  dials: {link.dials}"
    else:
        yield f"  link: {{style: {link.style}, side: {link.side}, transport: {link.transport}}}"
    yield f"  time_limit: {draft.time_limit_s:.0f} s                # of flight"


def _start(draft: Draft) -> Iterator[str]:
    yield "start:"
    heading_deg = round(math.degrees(draft.heading_rad)) % 360
    yield f"  heading: {heading_deg} deg                   # where the nose points before take-off"
    if draft.home is not None:
        latitude_deg, longitude_deg, altitude_m = draft.home
        where = f"latitude: {latitude_deg} deg, longitude: {longitude_deg} deg, altitude: {altitude_m} m"
        yield f"  home: {{{where}}}"


def _conditions() -> Iterator[str]:
    yield "# conditions:                      # still air and a perfect link, unless you say otherwise:"
    yield "#   wind: {speed: 2 m/s, from: 240 deg, turbulence: light}"
    yield "#   radio: sub-ghz-telemetry       # asflown link profiles"


def _path(draft: Draft) -> Iterator[str]:
    if draft.drawn_from:
        yield f"  # Drawn from {_remark(draft.drawn_from)}: what was flown, right or wrong."
        yield "  # Compare it with your plan, and put the planned numbers in."
    else:
        yield "  # An example. Replace it with the path that your script should fly."
    yield "  path:"
    yield "    frame: start-heading           # forward, right, up from the start; or north-east, or geodetic"
    yield "    legs:                          # climb, line, arc, hold, return, land"
    for leg in draft.legs:
        yield f"      - {leg.text}" + (f"   # {leg.comment}" if leg.comment else "")


def _measures(draft: Draft) -> Iterator[str]:
    legs = [leg.text for leg in draft.legs]
    yield "  # Generous limits. Fly more (--flights 40), then let the flights propose tighter ones:"
    yield f"  #   asflown grade .asflown/flights/*-{draft.name}-* --suggest"
    yield "  measures:"
    if any(text.startswith(("line", "return")) for text in legs):
        allowed = f"    cross_track_p95: {{at_most: {draft.beside_m:g} m}}"
        yield f"{allowed:<40}# beside the legs, 95 % of the time; their ends are reached so closely"
    yield "    vertical_p95: {at_most: 1.5 m}      # above or below them"
    if any(text.startswith("hold") for text in legs):
        yield "    dwell_at_holds: {at_least: 1 s}"
    if "land: {}" in legs:
        yield "    landing_offset: {at_most: 2 m}      # beside where the path ends"
    if draft.duration_s is not None:
        low, high = math.floor(draft.duration_s * 0.5), math.ceil(draft.duration_s * 2)
        yield f"    duration: {{between: [{low} s, {high} s]}}"


def _rules(draft: Draft) -> Iterator[str]:
    yield "  rules:                           # what must hold at all times, or in order"
    yield f'    - {{name: ceiling, always: "height < {draft.highest_m + 2:.0f} m"}}'
    yield '    # - {name: climbs promptly, formula: "eventually[0 s, 15 s] (height > 2 m)"}'


def _guard_m(reached_m: float) -> int:
    """Half as much again, and room for a gust."""
    return math.ceil(reached_m * 1.5 + 5)
