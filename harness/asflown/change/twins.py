"""Twins: two flights in lockstep with equal seeds, whose captures show where they part, and who was first to.

Up to the first difference everything was equal to the microsecond, so its origin is not a matter of statistics. A
frame of the script that differs first was decided by the script on equal inputs. A frame from the vehicle that only
came at another time, or after a loss, is the link's; any other is the vehicle's, or that of what it was given. Numbers
of frames tell a loss (one is missing) from a vehicle that says more (another message has the number).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from asflown.change.messages import Said, said, title, unequal_fields
from asflown.change.plain_names import message_in_words
from asflown.change.sets import FlightSet, FlownFlight
from asflown.record.decode import Index

Origin = Literal["script", "script timing", "link", "vehicle"]
RADIO_COMPONENT = 68
"""MAV_COMP_ID_TELEMETRY_RADIO: what it says is about the link."""
_TIE_US = 10
"""Frames that a tie in stamps may have moved."""
_SCRIPT, _VEHICLE = 0, 1
_MAVLINK_1 = 0xFE
"""The first byte of its frames."""


@dataclass(frozen=True, slots=True)
class Parting:
    """Where twins part first."""

    origin: Origin
    at_s: float
    says: str
    """`the script of B sends SET_POSITION_TARGET_LOCAL_NED with x 7.03 and 8.12`"""
    heard_equal: int
    """Messages from the vehicle that were equal until then."""


@dataclass(frozen=True)
class _Merged:
    """All frames of script and vehicle in the order in which the hub saw them."""

    flight: FlownFlight
    taps: tuple[Index, Index]
    tap: npt.NDArray[np.int8]
    number: npt.NDArray[np.int64]
    time_us: npt.NDArray[np.int64]

    @staticmethod
    def of(flight: FlownFlight) -> _Merged:
        taps = (flight.uplink, flight.downlink)
        time_us = np.concatenate([one.time_us for one in taps]) - flight.manifest.clock.epoch_us
        tap = np.concatenate([np.full(len(one), k, np.int8) for k, one in enumerate(taps)])
        number = np.concatenate([np.arange(len(one), dtype=np.int64) for one in taps])
        order = np.argsort(time_us, kind="stable")
        return _Merged(flight, taps, tap[order], number[order], time_us[order])

    def __len__(self) -> int:
        return len(self.time_us)

    def frame(self, place: int) -> bytes:
        return self.taps[self.tap[place]].frame(int(self.number[place]))

    def said(self, place: int) -> Said:
        return said(self.taps[self.tap[place]], int(self.number[place]))

    def component(self, place: int) -> int:
        return int(self.taps[self.tap[place]].component[self.number[place]])


def pairs(a: FlightSet, b: FlightSet) -> list[tuple[FlownFlight, FlownFlight]]:
    """The twins among two sets, by seed; none unless both flew in lockstep on machines that compute alike."""
    if a.kind.clock != "lockstep" or b.kind.clock != "lockstep":
        return []
    of_b = {one.manifest.seed: one for one in b}
    found = ((one, of_b.get(one.manifest.seed)) for one in a)
    return [(one, other) for one, other in found if other is not None and _alike(one, other)]


def _alike(one: FlownFlight, other: FlownFlight) -> bool:
    return one.manifest.clock.fingerprint == other.manifest.clock.fingerprint


def are_equal(one: FlownFlight, other: FlownFlight) -> bool:
    """Whether two flights are the same to the last byte."""
    digest = one.manifest.clock.digest
    return digest is not None and digest == other.manifest.clock.digest


def parting(one: FlownFlight, other: FlownFlight) -> Parting | None:
    """Where twins part first; None when every frame of both is equal and came at the same time."""
    a, b = _Merged.of(one), _Merged.of(other)
    place = _first_unequal(a, b)
    if place is None:
        return None
    heard = int((a.tap[:place] == _VEHICLE).sum())
    origin, at_us, says = _origin(a, b, place)
    return Parting(origin, at_us / 1e6, says, heard)


def _first_unequal(a: _Merged, b: _Merged) -> int | None:
    shorter = min(len(a), len(b))
    unequal = (a.time_us[:shorter] != b.time_us[:shorter]) | (a.tap[:shorter] != b.tap[:shorter])
    until = int(np.argmax(unequal)) if unequal.any() else shorter
    for place in range(until):
        if a.frame(place) != b.frame(place):
            return place
    return until if until < max(len(a), len(b)) else None


def _origin(a: _Merged, b: _Merged, place: int) -> tuple[Origin, int, str]:
    """Who was first to differ at `place`, when, and in what."""
    if place >= min(len(a), len(b)):
        longer, name = (a, "A") if len(a) > len(b) else (b, "B")
        return _alone(longer, b if longer is a else a, name, place)
    if a.tap[place] == b.tap[place] and _comparable(a, b, place):
        return _both(a, b, place)
    if a.time_us[place] == b.time_us[place]:
        first, name = (a, "A") if _is_extra(a, b, place) else (b, "B")
    else:
        first, name = (a, "A") if a.time_us[place] < b.time_us[place] else (b, "B")
    return _alone(first, b if first is a else a, name, place)


def _comparable(a: _Merged, b: _Merged, place: int) -> bool:
    """Whether both say the same, whenever, or say the same kind of thing at the same time."""
    one, other = a.said(place), b.said(place)
    at_once = abs(int(a.time_us[place] - b.time_us[place])) <= _TIE_US
    return one == other or (at_once and one.message_id == other.message_id)


def _both(a: _Merged, b: _Merged, place: int) -> tuple[Origin, int, str]:
    """Both sent the same kind of message: in what it differs."""
    at_us = int(min(a.time_us[place], b.time_us[place]))
    one, other = a.said(place), b.said(place)
    fields = unequal_fields(one, other)
    named = message_in_words(title(one))
    by_script = a.tap[place] == _SCRIPT
    if fields:
        what = f"{named} with {', '.join(fields[:2])}"
        if by_script:
            return "script", at_us, f"the script sends {what}"
        return _of_vehicle(a, place), at_us, f"the vehicle reports {what}"
    late_ms = (int(b.time_us[place]) - int(a.time_us[place])) / 1e3
    when = (
        f"{abs(late_ms):.3g} ms {'later' if late_ms > 0 else 'earlier'} in B" if late_ms else "after a loss"
    )
    if by_script:
        return "script timing", at_us, f"the script sends {named} {when}"
    return "link", at_us, f"the vehicle's {named} arrives {when}"


def _alone(first: _Merged, other: _Merged, name: str, place: int) -> tuple[Origin, int, str]:
    """Only one of both has a frame at this time."""
    at_us, what = int(first.time_us[place]), message_in_words(title(first.said(place)))
    if first.tap[place] == _SCRIPT:
        return "script", at_us, f"the script of {name} sends {what}, the other does not"
    if _is_said_by_one(first, other, place):
        return _of_vehicle(first, place), at_us, f"the vehicle of {name} says {what}, the other does not"
    return "link", at_us, f"{what} arrives in {name} and not in the other"


def _is_said_by_one(first: _Merged, other: _Merged, place: int) -> bool:
    """Whether the other's vehicle gave this frame's number to another message: then nothing was lost or late."""
    frame = first.frame(place)
    for k in range(place, len(other)):
        its = other.frame(k) if other.tap[k] == _VEHICLE else b""
        if its and _sender(its) == _sender(frame):
            return _number(its) == _number(frame) and other.said(k) != first.said(place)
    return False


def _sender(frame: bytes) -> bytes:
    """System and component, as MAVLink 1 and 2 place them."""
    return frame[3:5] if frame[0] == _MAVLINK_1 else frame[5:7]


def _number(frame: bytes) -> int:
    """The sender's count of frames, from 0 to 255."""
    return frame[2] if frame[0] == _MAVLINK_1 else frame[4]


def _is_extra(a: _Merged, b: _Merged, place: int) -> bool:
    """Whether A's frame at `place` is missing in B, and not merely moved by a tie."""
    near = [k for k in range(place, min(len(b), place + 4)) if b.time_us[k] - b.time_us[place] <= _TIE_US]
    return all(a.frame(place) != b.frame(k) for k in near)


def _of_vehicle(a: _Merged, place: int) -> Origin:
    return "link" if a.component(place) == RADIO_COMPONENT else "vehicle"


def last_heard(flight: FlownFlight, at_s: float) -> dict[str, Said]:
    """The last message of each kind that reached the script before `at_s`."""
    index = flight.downlink
    until_us = flight.manifest.clock.epoch_us + round(at_s * 1e6)
    last: dict[int, int] = {}
    for number in np.flatnonzero(index.time_us < until_us)[-400:]:
        last[int(index.message_id[number])] = int(number)
    return {one.name: one for one in (said(index, number) for number in last.values())}


def inputs_that_differ(a: FlownFlight, a_s: float, b: FlownFlight, b_s: float) -> Iterator[str]:
    """`LOCAL_POSITION_NED: x 1.2 and 1.4`: what the scripts had just received before two moments, where unequal."""
    theirs = last_heard(b, b_s)
    for name, one in sorted(last_heard(a, a_s).items()):
        other = theirs.get(name)
        if other is None:
            yield f"{name}: only A had received it"
        elif fields := unequal_fields(one, other):
            yield f"{name}: {', '.join(fields[:2])}"
    for name in sorted(set(theirs) - set(last_heard(a, a_s))):
        yield f"{name}: only B had received it"
