"""Pictures over flight time, all with one axis: signals with their limits, rules, legs and events.

Every strip is as wide as every other and has the same margins: a cursor at one place in all of them shows one moment.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from markupsafe import Markup

from asflown.frames import FloatArray
from asflown.grade.geometry import along_share
from asflown.record.series import Series
from asflown.report.site import ink
from asflown.report.site.events import Event
from asflown.report.site.story import Curve, RuleCourse, Story
from asflown.units import UNITS, Dimension

WIDTH, LEFT, RIGHT = 960.0, 64.0, 12.0
_TOP, _BOTTOM = 8.0, 24.0
_CURVE_HEIGHT, _RULE_HEIGHT, _EVENT_HEIGHT, _LEG_HEIGHT = 114.0, 50.0, 44.0, 44.0
_MOST_SAMPLES = 700
_FULL = 100.0
_MARK_ROW = 13.0
"""Height of a row of words above a strip."""
_PER_SECOND = "1/s"
_LEAST_SPAN = {"%": 10.0, _PER_SECOND: 4.0, "m": 0.5, "m/s": 0.5}
"""A strip covers at least so much: what hardly changes shall look so."""
_SHOWN = {dimension.si_symbol: UNITS[dimension.usual_unit] for dimension in Dimension}


Height = Callable[[float], float]
"""From a value to the picture."""


class Axis:
    """Flight time along a strip."""

    def __init__(self, begin_s: float, end_s: float) -> None:
        self.begin_s, self.end_s = begin_s, end_s
        self._per_s = (WIDTH - LEFT - RIGHT) / (self.end_s - self.begin_s)

    def x(self, time_s: float) -> float:
        """In the picture."""
        return LEFT + (min(max(time_s, self.begin_s), self.end_s) - self.begin_s) * self._per_s

    def ticks(self, height: float, *, labelled: bool, top: float = _TOP) -> list[str]:
        """Lines at round times from `top` down, and their labels."""
        drawn = []
        for time_s in ink.ticks(self.begin_s, self.end_s, 12):
            x = self.x(time_s)
            drawn.append(ink.line((x, top), (x, height - _BOTTOM), "grid"))
            if labelled:
                drawn.append(ink.label((x, height - 6), f"{ink.tick_text(time_s)} s", "tick", "middle"))
        return drawn

    def strip(self, parts: list[str], height: float, title: str) -> Markup:
        """The finished strip, with its cursor."""
        cursor = ink.line((LEFT, _TOP), (LEFT, height - _BOTTOM), "cursor")
        return ink.picture([*parts, cursor], WIDTH, height, title, ' class="strip"')


def shown_unit(unit: str) -> tuple[str, float]:
    """The unit that people read an SI unit in, and its size in SI."""
    usual = _SHOWN.get(unit)
    return (unit, 1.0) if usual is None else (usual.symbol, float(usual.to_si))


@dataclass(frozen=True, slots=True)
class Line:
    """A series in a strip, and the classes it is drawn with."""

    series: Series
    classes: str


def curve_strip(curve: Curve, axis: Axis) -> Markup:
    """A signal with its limits; what lies beyond them is drawn heavier."""
    return lines_strip(curve.title, curve.unit, [Line(curve.series, "curve")], curve.limits, axis)


def lines_strip(
    title: str,
    unit: str,
    lines: Sequence[Line],
    limits: Sequence[float],
    axis: Axis,
    marks: Sequence[tuple[str, float]] = (),
) -> Markup:
    """Several series of one unit with their limits; `marks` are words at moments, in rows above the lines.

    Of a single series, what lies beyond the limits is drawn heavier.
    """
    symbol, size = shown_unit(unit)
    thin = [ink.thinned(one.series.time_s, one.series.values / size, _MOST_SAMPLES) for one in lines]
    ends = [limit / size for limit in limits]
    shown = [values for _, values in thin]
    if symbol == _PER_SECOND:  # how many: counted from none
        shown.append(np.zeros(1))
    low, high = _range(np.concatenate(shown), ends, _LEAST_SPAN.get(symbol, 0.1))
    if symbol == "%" and max(float(values.max()) for _, values in thin) <= _FULL:
        low, high = low - max(0.0, high - _FULL * 1.01), min(high, _FULL * 1.01)
    rows = ink.rows_of([(_begin_of(text, at_s, axis), text) for text, at_s in marks])
    top = _TOP + _MARK_ROW * len(set(rows))
    height = top - _TOP + _CURVE_HEIGHT

    def y(value: float) -> float:
        return top + (high - min(max(value, low), high)) / (high - low) * (height - top - _BOTTOM)

    drawn = axis.ticks(height, labelled=True, top=top)
    for value in ink.ticks(low, high, 4):
        drawn.append(ink.line((LEFT, y(value)), (WIDTH - RIGHT, y(value)), "grid"))
        drawn.append(ink.label((LEFT - 6, y(value) + 4), ink.tick_text(value), "tick", "end"))
    drawn += [ink.line((LEFT, y(limit)), (WIDTH - RIGHT, y(limit)), "limit") for limit in ends]
    for (time_s, values), one in zip(thin, lines, strict=True):
        drawn.append(_line(time_s, values, axis, y, one.classes))
        if ends and len(lines) == 1:
            drawn += _beyond(time_s, values, ends, axis, y)
    labels = []
    for (text, at_s), row in zip(marks, rows, strict=True):
        head = _TOP + _MARK_ROW * row
        drawn.append(ink.line((axis.x(at_s), head), (axis.x(at_s), height - _BOTTOM), "moment"))
        labels.append(ink.label((_begin_of(text, at_s, axis), head + 9), text, "moment-label"))
    drawn += labels  # over all lines
    drawn.append(ink.label((8, top + 10), symbol, "axis"))
    return axis.strip(drawn, height, f"{title} in {symbol} over flight time")


def _begin_of(text: str, at_s: float, axis: Axis) -> float:
    """Where the words of a mark begin: at its line, or before it where they would leave the strip."""
    return min(axis.x(at_s) + 4, WIDTH - ink.LETTER * len(text))


def rule_strip(rule: RuleCourse, axis: Axis) -> Markup:
    """A band: where the rule's condition held and where not; beneath it how far it was from turning."""
    time_s, values = ink.thinned(rule.series.time_s, np.clip(rule.series.values, -1.0, 1.0), _MOST_SAMPLES)
    height, band = _RULE_HEIGHT, 9.0
    drawn = axis.ticks(height, labelled=False)
    held = values >= 0
    against = "broken" if rule.broken else "not-held"
    edges = [0, *(np.flatnonzero(np.diff(held.astype(int))) + 1).tolist(), len(held)]
    for begin, end in pairwise(edges):
        left, right = axis.x(float(time_s[begin])), axis.x(float(time_s[min(end, len(held) - 1)]))
        word = "holds" if held[begin] else "does not hold"
        drawn.append(
            ink.rectangle(
                (left, _TOP), max(1.5, right - left), band, "held" if held[begin] else against, word
            )
        )
    middle, reach = _TOP + band + 10.0, 8.0
    drawn.append(ink.line((LEFT, middle), (WIDTH - RIGHT, middle), "zero"))
    drawn.append(_line(time_s, values, axis, lambda value: middle - value * reach, "curve"))
    return axis.strip(drawn, height, f"rule {rule.name} over flight time: {rule.text}")


def leg_strip(story: Story, axis: Axis) -> Markup | None:
    """Which leg was flown when."""
    matched = None if story.laid is None else story.laid.matched
    if matched is None:
        return None
    drawn = axis.ticks(_LEG_HEIGHT, labelled=False)
    for number, leg in enumerate(matched.legs):
        left, right = axis.x(leg.begin_s), axis.x(leg.end_s)
        drawn.append(
            ink.rectangle((left, _TOP), right - left, 12, f"leg-band shade{number % 2}", leg.leg.name)
        )
        if right - left > 14:
            drawn.append(ink.label(((left + right) / 2, _TOP + 10), str(leg.leg.index), "tick", "middle"))
    return axis.strip(drawn, _LEG_HEIGHT, "legs over flight time")


def event_strip(events: list[Event], axis: Axis) -> Markup:
    """A mark for everything that happened."""
    drawn = axis.ticks(_EVENT_HEIGHT, labelled=False)
    for event in events:
        x = axis.x(event.at_s)
        classes = "event grave" if event.grave else "event"
        says = f"{event.at_s:.1f} s, {event.what}: {event.says}"
        drawn.append(ink.rectangle((x - 1.5, _TOP), 3, 12, classes, says))
    return axis.strip(drawn, _EVENT_HEIGHT, "events over flight time")


def profile_view(story: Story) -> Markup | None:
    """Height over the distance along the expected path: planned and flown. None where there is no path."""
    matched = None if story.laid is None else story.laid.matched
    if matched is None:
        return None
    begin_m, along, heights, planned = 0.0, [], [], [(0.0, 0.0)]
    for leg in matched.legs:
        flown = matched.on(leg)
        length = leg.leg.length_m()
        if len(flown):
            along.append(begin_m + np.clip(along_share(leg.leg, flown.values), 0.0, 1.0) * length)
            heights.append(flown.values[:, 2])
        begin_m += length
        planned.append((begin_m, leg.leg.end_xyu_m[2]))
    if not along or begin_m <= 0:
        return None
    return _profile(np.concatenate(along), np.concatenate(heights), planned)


def _profile(along: FloatArray, heights: FloatArray, planned: list[tuple[float, float]]) -> Markup:
    height = 154.0
    low, high = _range(np.concatenate([heights, [up for _, up in planned]]), [], 0.5)
    longest = planned[-1][0]

    def place(metres: float, up: float) -> ink.Point:
        y = _TOP + (high - up) / (high - low) * (height - _TOP - _BOTTOM)
        return LEFT + metres / longest * (WIDTH - LEFT - RIGHT), y

    drawn = []
    for value in ink.ticks(low, high, 4):
        drawn.append(ink.line(place(0.0, value), place(longest, value), "grid"))
        drawn.append(ink.label((LEFT - 6, place(0.0, value)[1] + 4), ink.tick_text(value), "tick", "end"))
    drawn += [
        ink.label((place(value, low)[0], height - 6), f"{ink.tick_text(value)} m", "tick", "middle")
        for value in ink.ticks(0.0, longest, 10)
    ]
    drawn.append(ink.polyline([place(*point) for point in planned], "planned"))
    stride = max(1, len(along) // _MOST_SAMPLES)
    points = [place(float(a), float(h)) for a, h in zip(along[::stride], heights[::stride], strict=True)]
    drawn += [ink.polyline(points, "track inside"), ink.label((8, 18), "m", "axis")]
    return ink.picture(
        drawn, WIDTH, height, "height over the distance along the expected path", ' class="profile"'
    )


def _range(values: FloatArray, limits: Sequence[float], least: float) -> tuple[float, float]:
    """The ends of an axis, with room; what is never negative needs none far below zero."""
    lowest, highest = float(min([*values, *limits])), float(max([*values, *limits]))
    room = max(0.06 * (highest - lowest), (least - (highest - lowest)) / 2)
    low, high = lowest - room, highest + room
    short = 0.06 * (high - low) + low if lowest >= 0 else 0.0
    return (low - short, high - short) if short < 0 else (low, high)


def _line(time_s: FloatArray, values: FloatArray, axis: Axis, y: Height, classes: str) -> str:
    return ink.polyline(
        [(axis.x(float(t)), y(float(v))) for t, v in zip(time_s, values, strict=True)], classes
    )


def _beyond(time_s: FloatArray, values: FloatArray, limits: list[float], axis: Axis, y: Height) -> list[str]:
    """The stretches outside the limits."""
    out = (values < min(limits)) | (values > max(limits))
    edges = [0, *(np.flatnonzero(np.diff(out.astype(int))) + 1).tolist(), len(out)]
    return [
        _line(
            time_s[max(0, begin - 1) : end + 1], values[max(0, begin - 1) : end + 1], axis, y, "curve broken"
        )
        for begin, end in pairwise(edges)
        if out[begin]
    ]
