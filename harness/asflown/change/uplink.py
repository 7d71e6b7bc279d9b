"""The uplink of a flight as steps: what the script asked for, in order, and how long each step lasted.

A step is a command, or a run of set-points of one kind: of equal ones where a position is asked for, of whatever
values where it is not (velocities are computed anew for each message). A frame that repeats the last one belongs to
its step. Positions are laid on the start point and heading of the flight's own estimate: forward, right, up in metres.
Heartbeats are no step.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher

import numpy as np

from asflown.change.messages import Said, said, title
from asflown.change.sets import FlownFlight
from asflown.errors import FolderProblem
from asflown.frames import TangentPlane, to_forward_right
from asflown.record.series import Anchors

_SET_POINTS = frozenset({
    "SET_POSITION_TARGET_LOCAL_NED", "SET_POSITION_TARGET_GLOBAL_INT", "SET_ATTITUDE_TARGET", "MANUAL_CONTROL",
    "RC_CHANNELS_OVERRIDE",
})  # fmt: skip
_NO_STEP = frozenset({"HEARTBEAT", "TIMESYNC", "PING", "SYSTEM_TIME"})
_ADDRESS = frozenset({"target_system", "target_component", "target"})
_LOCAL_FRAMES = frozenset({1})
_GLOBAL_FRAMES = frozenset({0, 3, 5, 6, 10, 11})
_IGNORE_POSITION, _IGNORE_VELOCITY, _IGNORE_ACCELERATION = 0b111, 0b111_000, 0b111_000_000
_IGNORE_YAW = 1 << 10
_IGNORE = {
    "position": _IGNORE_POSITION,
    "velocity": _IGNORE_VELOCITY,
    "acceleration": _IGNORE_ACCELERATION,
    "yaw": _IGNORE_YAW,
    "yaw rate": 1 << 11,
}
"""Bits of POSITION_TARGET_TYPEMASK that, all set, leave a part out."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the script asked for."""

    key: str
    """What kind of thing; steps of two flights are aligned by it."""
    names: tuple[str, ...]
    values: tuple[float, ...]
    """What was asked for, one number for each name; empty for a run of changing set-points."""
    begin_s: float
    end_s: float
    """When the next step began, or the last frame was sent."""
    frames: int

    @property
    def lasted_s(self) -> float:
        """From its first frame to the next step."""
        return self.end_s - self.begin_s


@dataclass(frozen=True, slots=True)
class _Asked:
    key: str
    names: tuple[str, ...]
    values: tuple[float, ...]
    moving: bool
    at_s: float

    def repeats(self, other: _Asked) -> bool:
        """Whether it says once more what `other` said; no number is equal to no number."""
        if self.key != other.key:
            return False
        return self.moving or np.array_equal(self.values, other.values, equal_nan=True)


def steps(flight: FlownFlight) -> tuple[Step, ...]:
    """The steps of a flight's script, in order."""
    return flight.computed("steps", lambda: _steps(flight))


def _steps(flight: FlownFlight) -> tuple[Step, ...]:
    found: list[Step] = []
    last: _Asked | None = None
    for asked in _asked(flight):
        if last is not None and asked.repeats(last):
            found[-1] = _longer(found[-1], asked.at_s)
        else:
            if found:
                found[-1] = _until(found[-1], asked.at_s)
            values = () if asked.moving else asked.values
            names = () if asked.moving else asked.names
            found.append(Step(asked.key, names, values, asked.at_s, asked.at_s, 1))
        last = asked
    return tuple(found)


def _longer(step: Step, at_s: float) -> Step:
    return Step(step.key, step.names, step.values, step.begin_s, at_s, step.frames + 1)


def _until(step: Step, at_s: float) -> Step:
    return Step(step.key, step.names, step.values, step.begin_s, at_s, step.frames)


def _asked(flight: FlownFlight) -> Iterator[_Asked]:
    index = flight.uplink
    places = _Places.of(flight)
    for number in range(len(index)):
        one = said(index, number)
        if one.name in _NO_STEP:
            continue
        at_s = flight.flight_s(int(index.time_us[number]))
        mask = _field(one, "type_mask")
        moving = one.name in _SET_POINTS and (mask is None or mask & _IGNORE_POSITION == _IGNORE_POSITION)
        names, values = places.values(one)
        yield _Asked(_key(one), names, values, moving, at_s)


def _key(one: Said) -> str:
    """What kind of thing a frame asks for: set-points by what they leave out, missions by type, the rest by name."""
    if one.name in _SET_POINTS:
        return f"{one.name} {_controls(_field(one, 'type_mask'))}".rstrip()
    if one.name == "PARAM_SET":
        return f"PARAM_SET {dict(one.fields).get('param_id')!r}"
    return title(one)


def _controls(mask: int | None) -> str:
    if mask is None:
        return ""
    return ", ".join(name for name, bits in _IGNORE.items() if mask & bits != bits)


def _field(one: Said, name: str) -> int | None:
    value = dict(one.fields).get(name)
    return value if isinstance(value, int) else None


@dataclass(frozen=True, slots=True)
class _Places:
    """Lays places on the start of one flight."""

    anchors: Anchors | None
    plane: TangentPlane | None

    @staticmethod
    def of(flight: FlownFlight) -> _Places:
        try:
            anchors: Anchors | None = flight.estimate.anchors
        except FolderProblem:
            anchors = None
        home = flight.manifest.start.get("home")
        plane = None
        if home:
            plane = TangentPlane(home["latitude_deg"], home["longitude_deg"], home["altitude_m"])
        return _Places(anchors, plane)

    def values(self, one: Said) -> tuple[tuple[str, ...], tuple[float, ...]]:
        """Names and numbers of what a frame asks for, without whom it is for."""
        fields = {name: value for name, value in one.fields if name not in _ADDRESS}
        numbers: dict[str, float] = {}
        for name, value in fields.items():
            if isinstance(value, int | float):
                numbers[name] = float(value)
            elif isinstance(value, tuple):
                numbers |= {f"{name}[{k}]": float(part) for k, part in enumerate(value)}
        if one.name == "SET_POSITION_TARGET_LOCAL_NED":
            numbers = self._local(one, numbers)
        elif {"x", "y"} <= fields.keys() and _field(one, "frame") in _GLOBAL_FRAMES:
            numbers = self._everywhere(numbers, "x", "y")
        elif {"lat_int", "lon_int"} <= fields.keys():
            numbers = self._everywhere(numbers, "lat_int", "lon_int")
        return tuple(numbers), tuple(numbers.values())

    def _local(self, one: Said, numbers: dict[str, float]) -> dict[str, float]:
        """Forward, right, up of a position in the local frame, yaw from the start heading; ignored fields left out."""
        mask = _field(one, "type_mask") or 0
        kept = {"coordinate_frame": numbers["coordinate_frame"], "type_mask": float(mask)}
        if mask & _IGNORE_POSITION != _IGNORE_POSITION:
            place = numbers["x"], numbers["y"], numbers["z"]
            if numbers["coordinate_frame"] in _LOCAL_FRAMES and self.anchors is not None:
                kept |= self._from_start(self.anchors, place)
            else:
                kept |= dict(zip(("x", "y", "z"), place, strict=True))
        if mask & _IGNORE_VELOCITY != _IGNORE_VELOCITY:
            kept |= {name: numbers[name] for name in ("vx", "vy", "vz")}
        if mask & _IGNORE_ACCELERATION != _IGNORE_ACCELERATION:
            kept |= {name: numbers[name] for name in ("afx", "afy", "afz")}
        if not mask & _IGNORE_YAW:
            heading = 0.0 if self.anchors is None else self.anchors.heading_rad
            kept["yaw from start"] = math.remainder(numbers["yaw"] - heading, 2 * math.pi)
        return kept

    @staticmethod
    def _from_start(anchors: Anchors, place: tuple[float, float, float]) -> dict[str, float]:
        north, east, down = np.array(place) - np.array(anchors.start_ned_m)
        forward, right = to_forward_right(np.array([north]), np.array([east]), anchors.heading_rad)
        return {"forward": float(forward[0]), "right": float(right[0]), "up": float(-down)}

    def _everywhere(self, numbers: dict[str, float], x: str, y: str) -> dict[str, float]:
        """North and east of home in metres instead of scaled degrees."""
        if self.plane is None or not (numbers[x] or numbers[y]):
            return numbers
        north, east, _ = self.plane.to_ned(numbers[x] / 1e7, numbers[y] / 1e7, self.plane.height_m)
        return {k: v for k, v in numbers.items() if k not in {x, y}} | {
            "north": float(north),
            "east": float(east),
        }


@dataclass(frozen=True, slots=True)
class Aligned:
    """Two flights' steps side by side, as far as they are of the same kinds in the same order."""

    pairs: tuple[tuple[Step, Step], ...]
    first_other: tuple[Step | None, Step | None] | None
    """The first steps that are of different kinds; None where one flight has no further step."""


def align(one: tuple[Step, ...], other: tuple[Step, ...]) -> Aligned:
    """Aligns two flights step by step by what kind of thing each asks for."""
    keys = [step.key for step in one], [step.key for step in other]
    matched: list[tuple[Step, Step]] = []
    first: tuple[Step | None, Step | None] | None = None
    for tag, i1, i2, j1, j2 in SequenceMatcher(None, *keys, autojunk=False).get_opcodes():
        if tag == "equal":
            matched += zip(one[i1:i2], other[j1:j2], strict=True)
        elif first is None:
            first = (one[i1] if i1 < len(one) else None, other[j1] if j1 < len(other) else None)
    return Aligned(tuple(matched), first)
