"""What happened in a flight, moment by moment, in plain words: the material of its story.

Each happening has a weight: signs that something is wrong weigh most, then what somebody decided, then the rest.
Times are flight time in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from asflown.change.messages import command_name
from asflown.change.plain_names import command_in_words
from asflown.change.response import laid
from asflown.change.sets import FlownFlight
from asflown.change.uplink import Step, steps
from asflown.change.words import quantity
from asflown.errors import FolderProblem
from asflown.frames import FloatArray
from asflown.grade.evidence import Evidence
from asflown.grade.result import Measured
from asflown.record import decode
from asflown.record.folder import read_events

SIGN, DECISION, COURSE = 3, 2, 1
SILENCE_S = 2.0
"""Longer without any telemetry is a happening."""
WARNING = 4
"""MAV_SEVERITY_WARNING; smaller numbers are graver."""
_STATUSTEXT, _COMMAND_ACK = 253, 77
_RESULTS = {1: "refuses for now", 2: "denies", 3: "does not know", 4: "fails"}
"""MAV_RESULT of an answer that is no acceptance."""
_EXPECTED = frozenset({"take-off done", "mission ended", "arrived at home", "not flying"})
"""Why a vehicle changes its mode by itself in flights that go well."""


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened."""

    at_s: float
    says: str
    weight: int


def happenings(flight: FlownFlight) -> list[Happening]:
    """All that is known to have happened, in the order of time."""
    found = [*_asked(flight), *_told(flight), *_answers(flight), *_events(flight), *_silences(flight)]
    found += [*_beyond_limits(flight), *_end(flight)]
    return sorted(found, key=lambda one: (one.at_s, -one.weight))


def _asked(flight: FlownFlight) -> Iterator[Happening]:
    for number, step in enumerate(steps(flight), 1):
        yield Happening(step.begin_s, f"the script asks for step {number}: {_asks(step)}", DECISION)


def _asks(step: Step) -> str:
    """What a step asks for, with the numbers that say where."""
    kind = step.key.removeprefix("COMMAND_LONG ").removeprefix("COMMAND_INT ")
    kind = kind.replace("SET_POSITION_TARGET_LOCAL_NED ", "set-points of ")
    kind = kind.replace("SET_POSITION_TARGET_GLOBAL_INT ", "set-points of ")
    places = ("forward", "right", "up", "north", "east")
    where = [
        f"{n} {round(v, 1) + 0.0:.1f} m" for n, v in zip(step.names, step.values, strict=False) if n in places
    ]
    return f"{kind} ({', '.join(where)})" if where else command_in_words(kind)


def _told(flight: FlownFlight) -> Iterator[Happening]:
    for row in decode.columns(flight.downlink, _STATUSTEXT):
        grave = int(row["severity"]) <= WARNING
        says = f"the vehicle says '{decode.text(row['text'])}'"
        yield Happening(flight.flight_s(int(row["time_us"])), says, SIGN if grave else COURSE)


def _answers(flight: FlownFlight) -> Iterator[Happening]:
    for row in decode.columns(flight.downlink, _COMMAND_ACK):
        word = _RESULTS.get(int(row["result"]))
        if word is not None:
            asked = command_in_words(command_name(int(row["command"])))
            says = f"the vehicle {word}: {asked}"
            yield Happening(flight.flight_s(int(row["time_us"])), says, SIGN)


def _events(flight: FlownFlight) -> Iterator[Happening]:
    """What guard and pilot did, and changes of mode that nobody on the script's side asked for."""
    try:
        events = list(read_events(flight.folder))
    except FolderProblem:
        return
    for event in events:
        at_s = event["time_us"] / 1e6
        if event["kind"] == "safety":
            yield Happening(at_s, f"{event.get('what')} ({event.get('cause')})", SIGN)
        elif event["kind"] == "mode-change" and event.get("by") not in {None, "script"}:
            yield _mode_change(event)


def _mode_change(event: dict[str, Any]) -> Happening:
    """A change of mode that the script did not ask for; it is noted later than it came."""
    modes = [event.get(name) or "a mode without a name" for name in ("from", "to")]
    by = "the vehicle itself" if event["by"] == "vehicle" else f"the {event['by']}"
    by = "somebody unknown" if event["by"] == "unknown" else by
    weight = COURSE if event["by"] == "vehicle" and event.get("why") in _EXPECTED else SIGN
    says = f"{by} changes from {modes[0]} to {modes[1]}: {event.get('why')}"
    return Happening(event.get("at_us", event["time_us"]) / 1e6, says, weight)


def _silences(flight: FlownFlight) -> Iterator[Happening]:
    time_us = flight.downlink.time_us
    for place in np.flatnonzero(np.diff(time_us) > SILENCE_S * 1e6):
        at_s = flight.flight_s(int(time_us[place]))
        lasted_s = float(time_us[place + 1] - time_us[place]) / 1e6
        yield Happening(at_s, f"nothing is heard of the vehicle for {lasted_s:.1f} s", SIGN)


def _end(flight: FlownFlight) -> Iterator[Happening]:
    script = flight.manifest.script
    if script.ended_us is None:
        return
    how = script.ended or "ended"
    wrong = how != "exited" or script.exit_code != script.expected_exit_code
    code = "" if script.exit_code is None else f" with {script.exit_code}"
    says = flight.manifest.problem or f"the script {how}{code}"
    yield Happening(script.ended_us / 1e6, says, SIGN if wrong else COURSE)


def _beyond_limits(flight: FlownFlight) -> Iterator[Happening]:
    """When what failed first went beyond its limit: exactly for errors from the path, else at the deciding moment."""
    for measured in flight.grade.measures:
        if measured.passed is False:
            found = _first_beyond(flight, measured)
            if found is not None:
                yield found
            elif measured.at_s is not None:
                yield Happening(measured.at_s, f"{measured.name}: {measured.says}", SIGN)
    for rule in flight.grade.rules:
        if rule.passed is False and rule.at_s is not None:
            yield Happening(rule.at_s, f"rule '{rule.name}' is broken: {rule.says or rule.text}", SIGN)


def _first_beyond(flight: FlownFlight, measured: Measured) -> Happening | None:
    """The first moment at which an error from the path was larger than its limit allows."""
    limit_m = measured.limit.at_most
    if limit_m is None or not measured.name.startswith(("cross_track", "vertical")):
        return None
    on_path = laid(flight, measured.source)
    if on_path is None:
        return None
    sideways = measured.name.startswith("cross_track")
    for at_s, error_m, leg in _errors(on_path, sideways=sideways):
        beyond = np.flatnonzero(np.abs(error_m) > limit_m)
        if len(beyond):
            way = _way(float(error_m[beyond[0]]), sideways=sideways)
            says = f"on {leg} the vehicle is more than {quantity(limit_m, 'm')} {way}"
            return Happening(float(at_s[beyond[0]]), says, SIGN)
    return None


def _errors(on_path: Evidence, *, sideways: bool) -> Iterator[tuple[FloatArray, FloatArray, str]]:
    for leg in on_path.legs:
        error_m = leg.cross_track_m if sideways else leg.vertical_m
        if error_m is not None:
            yield leg.time_s, error_m, leg.leg.name


def _way(error_m: float, *, sideways: bool) -> str:
    if sideways:
        return "too far right" if error_m > 0 else "too far left"
    return "too high" if error_m > 0 else "too low"
