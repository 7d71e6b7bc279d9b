"""What measures and rules are taken from: one track of one flight, laid on the expected path.

The flight lies between lift-off and touch-down as the vehicle reports them, a second more on either side; where
it reports neither, between arming and the end of the track.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from asflown.frames import FloatArray
from asflown.grade import geometry
from asflown.grade.match import LONG_GAP_S, LegMatch, Matched, match
from asflown.record.series import PathFrame, Series, Track
from asflown.scenario.model import Expect, Limit
from asflown.scenario.path import PathLeg
from asflown.scenario.signal_names import leg_signal

AROUND_FLIGHT_S = 1.0
HOLD_RADIUS_M = 1.0

_GRADED_KINDS = ("line", "arc", "return", "hold")


@dataclass(frozen=True, slots=True)
class LegErrors:
    """How far off one leg the vehicle was, sample by sample; shape (n,) each."""

    leg: PathLeg
    time_s: FloatArray
    cross_track_m: FloatArray | None
    """Positive to the right; None on a leg without sides."""
    vertical_m: FloatArray
    """Positive when too high."""


@dataclass(frozen=True, slots=True)
class AirTime:
    """Lift-off and touch-down in flight time; None where the vehicle was not seen to do it."""

    lift_off_s: float | None
    touch_down_s: float | None


@dataclass(frozen=True, slots=True)
class Evidence:
    """One track of one flight. Without an expected path there are no matched legs."""

    track: Track
    frame: PathFrame
    air: AirTime
    positions: Series | None
    """x, y, u in the path's axes over the flight; None where the source cannot be placed in them."""
    matched: Matched | None
    legs: tuple[LegErrors, ...]
    """Lines, arcs, returns and holds that were flown, in order."""
    hold_radius_m: float
    estimate: Evidence | None = None
    """The same flight by the vehicle's own account, where a measure needs both sides."""
    truth: Evidence | None = None
    """The same flight as it was, where that is known and a measure needs both sides."""

    def signals(self) -> dict[str, Series]:
        """The track's signals, cross_track on the legs that have sides, and a flag for each leg of the path."""
        beside = [part for part in self.legs if part.cross_track_m is not None]
        signals = dict(self.track.signals)
        if beside:
            signals["cross_track"] = Series(
                np.concatenate([part.time_s for part in beside]),
                np.concatenate([part.cross_track_m for part in beside if part.cross_track_m is not None]),
            )
        if self.matched is not None:
            signals |= _leg_flags(self.matched)
        return signals


def _leg_flags(matched: Matched) -> dict[str, Series]:
    """For each leg whether it is being flown, at each position."""
    time_s = matched.positions.time_s
    return {
        leg_signal(leg.leg.index): Series(
            time_s, ((time_s >= leg.begin_s) & (time_s < leg.end_s)).astype(np.float64)
        )
        for leg in matched.legs
    }


def evidence(
    track: Track, frame: PathFrame, path: tuple[PathLeg, ...], limits: Mapping[str, Limit]
) -> Evidence:
    """Lays `track` on `path`, whose axes are those of `frame`; `limits` are those of the scenario's measures."""
    air = air_time(track)
    positions = track.in_frame(frame)
    flight = None if positions is None else _during_flight(positions, track, air)
    matched = None
    if flight is not None and len(flight) and path:
        landed = None if "on_ground" not in track.signals else air.touch_down_s is not None
        matched = match(flight, path, landed, _hold_radius_m(limits))
    legs = () if matched is None else tuple(_errors(matched, leg) for leg in matched.legs if _is_graded(leg))
    return Evidence(track, frame, air, flight, matched, legs, _hold_radius_m(limits))


def frame_of(expect: Expect) -> PathFrame:
    """The frame of the expected path; start-heading where none is expected."""
    return "start-heading" if expect.path is None else expect.path.frame


def air_time(track: Track) -> AirTime:
    """First lift-off and last touch-down, where the vehicle says whether it stands on the ground."""
    on_ground = track.signals.get("on_ground")
    if on_ground is None:
        return AirTime(None, None)
    change = np.diff(on_ground.values)
    rises, falls = np.flatnonzero(change < 0) + 1, np.flatnonzero(change > 0) + 1
    landed = len(falls) > 0 and on_ground.values[-1] > 0
    return AirTime(
        float(on_ground.time_s[rises[0]]) if len(rises) else None,
        float(on_ground.time_s[falls[-1]]) if landed else None,
    )


def _during_flight(positions: Series, track: Track, air: AirTime) -> Series:
    begin_s = track.anchors.at_s if air.lift_off_s is None else air.lift_off_s - AROUND_FLIGHT_S
    end_s = track.end_s if air.touch_down_s is None else air.touch_down_s + AROUND_FLIGHT_S
    return positions.between(begin_s, end_s)


def _is_graded(leg: LegMatch) -> bool:
    return leg.leg.kind in _GRADED_KINDS and leg.end_s > leg.begin_s


def _errors(matched: Matched, leg: LegMatch) -> LegErrors:
    samples = matched.on(leg)
    beside = leg.leg.kind != "hold" and geometry.has_sides(leg.leg)
    return LegErrors(
        leg.leg,
        samples.time_s,
        geometry.cross_track_m(leg.leg, samples.values) if beside else None,
        geometry.vertical_m(leg.leg, samples.values),
    )


def _hold_radius_m(limits: Mapping[str, Limit]) -> float:
    """How near a hold counts: the scenario's own limit of the cross-track error, and at least 1 m."""
    for name in ("cross_track_max", "cross_track_p95"):
        limit = limits.get(name)
        if limit is not None and limit.at_most is not None:
            return max(HOLD_RADIUS_M, limit.at_most)
    return HOLD_RADIUS_M


@dataclass(frozen=True, slots=True)
class Sampling:
    """What a measure needs of the positions: a rate, and how much of the flight may lie in gaps."""

    hz: float
    gap_share: float

    def missing(self, positions: Series) -> str:
        """What is missing, in plain words; empty when nothing is."""
        if len(positions) < 2:
            return "there are no positions"
        steps_s = np.diff(positions.time_s)
        hz = 1 / float(np.median(steps_s))
        if hz < self.hz * 0.99:
            return f"positions came at {hz:.1f} Hz, and {self.hz:g} Hz are needed"
        gaps_s = steps_s[steps_s > LONG_GAP_S]
        if gaps_s.sum() > self.gap_share * steps_s.sum():
            longest = int(np.argmax(steps_s))
            began_s = positions.time_s[longest]
            return f"there are no positions for {steps_s[longest]:.1f} s from {began_s:.1f} s"
        return ""
