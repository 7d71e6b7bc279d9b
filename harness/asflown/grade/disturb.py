"""Disturbs a track by a known amount, so that it can be seen what the tolerances of a scenario catch.

What is disturbed is what the vehicle did from lift-off on: anchors stay, and so does what the ground saw. Sideways
means beside the leg being flown, so that every leg feels the whole of it: of a constant vector a leg that points
along it feels nothing. The vector is there, too: it is what a wrong map or a jump of the position does.

A track is never sampled more thinly by being stretched: held or interpolated samples are put in, but not in gaps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from asflown.errors import UsageError
from asflown.frames import FloatArray, to_north_east
from asflown.grade import geometry
from asflown.grade.evidence import Evidence
from asflown.grade.match import LONG_GAP_S, LegMatch
from asflown.record.series import Series, Track, motion_signals
from asflown.units import Dimension

Kind = Literal["sideways", "shifted", "height", "delay", "wait", "speed"]

BLEND_S = 1.0
"""An offset comes, goes and changes sides within this time: nothing jumps."""
_KEEPS_LAST_VALUE = frozenset({"roll", "pitch", "tilt", "heading"})


@dataclass(frozen=True, slots=True)
class KindOf:
    """One kind of disturbance: what its size is, and the largest that makes sense."""

    dimension: Dimension
    largest: float
    lowest: float
    """The largest in the other direction, negative; 0 where there is none."""
    grows: str
    """What a positive size does, in words."""
    shrinks: str
    """What a negative size does."""


KINDS: Mapping[Kind, KindOf] = {
    "sideways": KindOf(
        Dimension.LENGTH, 100.0, -100.0, "flies right of every leg", "flies left of every leg"
    ),
    "shifted": KindOf(
        Dimension.LENGTH, 100.0, -100.0, "is farther north all the time", "is farther south all the time"
    ),
    "height": KindOf(Dimension.LENGTH, 100.0, -100.0, "flies too high", "flies too low"),
    "delay": KindOf(Dimension.DURATION, 600.0, 0.0, "lifts off later", ""),
    "wait": KindOf(Dimension.DURATION, 600.0, 0.0, "stands still half-way along its longest leg", ""),
    "speed": KindOf(Dimension.SHARE, 4.0, -0.9, "flies its legs faster", "flies its legs slower"),
}


class Disturber:
    """Disturbs one track, which has been laid on its expected path."""

    def __init__(self, found: Evidence) -> None:
        self._evidence, self._track = found, found.track
        lift_off_s = found.air.lift_off_s
        at_s = found.track.anchors.at_s
        self._begin_s = at_s if lift_off_s is None else max(at_s, lift_off_s - BLEND_S)

    def cannot(self, kind: Kind) -> str:
        """Why this kind makes no sense for the track, in plain words; empty when it does."""
        if kind in {"sideways", "wait", "speed"} and not self._sided():
            return "no leg that leads to the side was flown"
        return ""

    def disturbed(self, kind: Kind, size: float) -> Track:
        """The track with a disturbance of `size`, in the SI unit of its kind.

        Raises UsageError where `cannot` has a reason, and for a size beyond the bounds of KINDS.
        """
        reason = self.cannot(kind)
        if reason:
            raise UsageError(f"the track cannot be disturbed: {reason}", "Take another kind")
        if not KINDS[kind].lowest <= size <= KINDS[kind].largest:
            bounds = f"from {KINDS[kind].lowest:g} to {KINDS[kind].largest:g}"
            raise UsageError(f"a size of {size:g} makes no sense for `{kind}`", f"Take one {bounds}")
        if size == 0:
            return self._track
        match kind:
            case "sideways":
                return self._moved(self._rightwards(), size)
            case "shifted":
                return self._moved(np.array([[1.0, 0.0, 0.0]]), size)
            case "height":
                return self._moved(np.array([[0.0, 0.0, -1.0]]), size, comes_down=True)
            case "delay" | "wait":
                return self._later(self._begin_s if kind == "delay" else self._half_way_s(), size)
            case "speed":
                return self._faster(1 + size)

    def _half_way_s(self) -> float:
        """When the vehicle is in the middle of its longest leg to the side."""
        longest = max(self._sided(), key=lambda leg: leg.leg.length_m())
        return (longest.begin_s + longest.end_s) / 2

    def _sided(self) -> list[LegMatch]:
        """The legs that lead to the side and have samples."""
        matched = self._evidence.matched
        legs = () if matched is None else matched.legs
        return [leg for leg in legs if geometry.has_sides(leg.leg) and leg.end_s > leg.begin_s]

    def _rightwards(self) -> FloatArray:
        """The unit vector to the right of the leg being flown, NED, at each position; shape (n, 3).

        On a leg without sides it is that of the leg before, on the first ones that of the first leg with sides.
        """
        positions = self._track.in_frame(self._evidence.frame)
        time_s = self._track.positions.time_s
        assert positions is not None  # there are matched legs
        where = np.stack(
            [np.interp(time_s, positions.time_s, positions.values[:, axis]) for axis in (0, 1)], axis=-1
        )
        legs = self._sided()
        number = np.searchsorted([leg.begin_s for leg in legs], time_s, side="right") - 1
        right = np.zeros((len(time_s), 2))
        for place, leg in enumerate(legs):
            chosen = number == place if place else number <= 0
            right[chosen] = _right_of(leg, where[chosen])
        blended = np.stack([_blended(time_s, column) for column in right.T], axis=-1)
        turned = self._track.anchors.heading_rad if self._evidence.frame == "start-heading" else 0.0
        north, east = to_north_east(blended[:, 0], blended[:, 1], turned)
        return np.stack([north, east, np.zeros_like(north)], axis=-1)

    def _moved(self, direction: FloatArray, size_m: float, *, comes_down: bool = False) -> Track:
        """Every position moved by `size_m` along its direction (NED), from lift-off on."""
        track, time_s = self._track, self._track.positions.time_s
        share = np.clip((time_s - self._begin_s) / BLEND_S, 0.0, 1.0)
        touch_down_s = self._evidence.air.touch_down_s
        if comes_down and touch_down_s is not None:
            share = np.minimum(share, np.clip((touch_down_s - time_s) / BLEND_S, 0.0, 1.0))
        offset_m = size_m * share[:, None] * direction
        drift_m_s = np.gradient(offset_m, time_s, axis=0) if len(time_s) > 1 else np.zeros_like(offset_m)
        return _rebuilt(
            track,
            _added(track.positions, time_s, offset_m),
            _added(track.velocities, time_s, drift_m_s),
            None if track.about_home is None else _added(track.about_home, time_s, offset_m),
        )

    def _later(self, from_s: float, by_s: float) -> Track:
        """What happens after `from_s` happens `by_s` later; in between the vehicle stays as it is."""
        last_s = max(self._track.end_s, from_s) + 1.0
        return self._on_clock([from_s, from_s, last_s], [from_s, from_s + by_s, last_s + by_s])

    def _faster(self, factor: float) -> Track:
        """Every leg that leads to the side takes its time divided by `factor`; all else takes as long as it did."""
        old, new = [self._begin_s], [self._begin_s]
        for leg in self._sided():
            if leg.end_s <= old[-1]:
                continue
            begin_s = max(leg.begin_s, old[-1])
            if begin_s > old[-1]:
                new.append(new[-1] + begin_s - old[-1])
                old.append(begin_s)
            new.append(new[-1] + (leg.end_s - begin_s) / factor)
            old.append(leg.end_s)
        last_s = max(self._track.end_s, old[-1]) + 1.0
        return self._on_clock([*old, last_s], [*new, new[-1] + last_s - old[-1]])

    def _on_clock(self, old: list[float], new: list[float]) -> Track:
        """The track with its times mapped from `old` to `new`, straight in between, unchanged before the first."""
        track = self._track
        clock = _Clock(np.array(old), np.array(new))
        signals = {
            name: clock.held(signal) if name in _KEEPS_LAST_VALUE else clock.moved(signal)
            for name, signal in track.signals.items()
        }
        changed = replace(track, signals=signals, end_s=float(clock.new_s(np.array([track.end_s]))[0]))
        return _rebuilt(
            changed,
            clock.between(track.positions),
            clock.velocities(track.velocities),
            None if track.about_home is None else clock.between(track.about_home),
        )


def _right_of(leg: LegMatch, where_xy_m: FloatArray) -> FloatArray:
    """Unit vectors to the right of the leg at places, shape (n, 2), in the axes of the path."""
    if leg.leg.centre_xy_m is None:
        step = np.array(leg.leg.end_xyu_m[:2]) - np.array(leg.leg.start_xyu_m[:2])
        right: FloatArray = np.array([-step[1], step[0]]) / np.hypot(*step)
        return np.tile(right, (len(where_xy_m), 1))
    inwards = np.array(leg.leg.centre_xy_m) - where_xy_m
    inwards /= np.maximum(np.hypot(*inwards.T), 1e-9)[:, None]
    return inwards if leg.leg.turn_rad > 0 else -inwards


def _blended(time_s: FloatArray, values: FloatArray) -> FloatArray:
    """The mean over BLEND_S about each time of values that hold from sample to sample."""
    if len(time_s) < 2:
        return values
    area = np.concatenate([[0.0], np.cumsum(values[:-1] * np.diff(time_s))])
    begin_s = np.maximum(time_s - BLEND_S / 2, time_s[0])
    end_s = np.minimum(time_s + BLEND_S / 2, time_s[-1])
    inside = np.interp(end_s, time_s, area) - np.interp(begin_s, time_s, area)
    mean: FloatArray = inside / (end_s - begin_s)
    return mean


def _added(to: Series, time_s: FloatArray, values: FloatArray) -> Series:
    """`values` at `time_s`, shape (n, 3), added to a series with times of its own."""
    more = np.stack([np.interp(to.time_s, time_s, column) for column in values.T], axis=-1)
    return Series(to.time_s, to.values + more)


def _rebuilt(track: Track, positions: Series, velocities: Series, about_home: Series | None) -> Track:
    """The track with other motion; the signals that follow from motion follow."""
    signals = dict(track.signals) | motion_signals(positions, velocities, track.anchors)
    known = {name: signals[name] for name in track.signals if name in signals}
    return replace(track, positions=positions, velocities=velocities, about_home=about_home, signals=known)


class _Clock:
    """Times mapped piece by piece; `old_knots_s` may stay where `new_knots_s` goes on, but not the other way round."""

    def __init__(self, old_knots_s: FloatArray, new_knots_s: FloatArray) -> None:
        self._old_s, self._new_s = old_knots_s, new_knots_s

    def new_s(self, old_s: FloatArray) -> FloatArray:
        """What becomes of old times; at a knot where time stands, the later one."""
        last = np.flatnonzero(np.append(np.diff(self._old_s) > 0, [True]))
        mapped = np.interp(old_s, self._old_s[last], self._new_s[last])
        return np.where(old_s < self._old_s[0], old_s, mapped)

    def _old(self, new_s: FloatArray) -> FloatArray:
        return np.where(new_s < self._new_s[0], new_s, np.interp(new_s, self._new_s, self._old_s))

    def _rate(self, new_s: FloatArray) -> FloatArray:
        """How fast old time runs at new times: 0 where the vehicle waits."""
        slopes = np.concatenate([[1.0], np.diff(self._old_s) / np.diff(self._new_s), [1.0]])
        rate: FloatArray = slopes[np.searchsorted(self._new_s, new_s, side="right")]
        return rate

    def moved(self, old: Series) -> Series:
        """The same samples at their new times."""
        return Series(self.new_s(old.time_s), old.values)

    def _filled(self, old: Series) -> FloatArray:
        """New times of the samples, and of more between them where they would lie farther apart than before."""
        if len(old) < 2:
            return self.new_s(old.time_s)
        new_s = self.new_s(old.time_s)
        steps_s = np.diff(old.time_s)
        usual_s = float(np.median(steps_s))
        pieces = np.where(steps_s > LONG_GAP_S, 1, np.maximum(1, np.ceil(np.diff(new_s) / usual_s - 0.5)))
        counts = pieces.astype(np.int64)
        share = np.concatenate([np.arange(count) / count for count in counts.tolist()])
        return np.append(np.repeat(new_s[:-1], counts) + share * np.repeat(np.diff(new_s), counts), new_s[-1])

    def between(self, old: Series) -> Series:
        """Samples put in lie on the straight line between their neighbours."""
        new_s = self._filled(old)
        at_s = self._old(new_s)
        return Series(
            new_s, np.stack([np.interp(at_s, old.time_s, column) for column in old.values.T], axis=-1)
        )

    def velocities(self, old: Series) -> Series:
        """As `between`, and as much faster or slower as the clock runs."""
        found = self.between(old)
        return Series(found.time_s, found.values * self._rate(found.time_s)[:, None])

    def held(self, old: Series) -> Series:
        """Samples put in have the value of the one before them."""
        new_s = self._filled(old)
        number = np.searchsorted(old.time_s, self._old(new_s) + 1e-9, side="right") - 1
        return Series(new_s, old.values[np.maximum(number, 0)])
