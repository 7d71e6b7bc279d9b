"""The plan view: the expected path with its corridor, and the path as flown, seen from above.

Drawn true to scale, the first axis of the path's frame (forward or north) upwards. What was flown is coloured by its
cross-track error: within half of the limit, within it, beyond it; where a leg has no sides, or there is no limit, it
is drawn plain.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from markupsafe import Markup

from asflown.frames import FloatArray
from asflown.grade.evidence import Evidence
from asflown.grade.geometry import has_sides
from asflown.report.site import ink
from asflown.report.site.story import AXES, Story
from asflown.scenario.path import PathLeg

WIDTH, MOST_HEIGHT = 720.0, 620.0
_MARGIN = 44.0
_LEAST_M, _LEAST_MOVED_M = 4.0, 1.0
_MOST_POINTS = 1_500
_CLASSES = ("aside", "inside", "near", "beyond")
_ARC_SPACING_M = 0.5
_LABEL_PX = 15.0
_SIDEWAYS = 0.3
"""From here on a label stands beside its place, and not above or below."""


class Scale:
    """From x, y in metres to the picture."""

    def __init__(self, points: FloatArray) -> None:
        low, high = points.min(axis=0), points.max(axis=0)
        middle = (low + high) / 2
        span = np.maximum(high - low, _LEAST_M) * 1.12
        inner = WIDTH - 2 * _MARGIN
        self.per_m = min(inner / span[1], (MOST_HEIGHT - 2 * _MARGIN) / span[0])
        self.height = span[0] * self.per_m + 2 * _MARGIN
        self._x, self._y = middle
        self.low = middle - np.array([(self.height - 2 * _MARGIN) / 2, inner / 2]) / self.per_m
        self.high = 2 * middle - self.low

    def place(self, x_m: float, y_m: float) -> ink.Point:
        """In the picture; the first axis points up, the second to the right."""
        return WIDTH / 2 + (y_m - self._y) * self.per_m, self.height / 2 - (x_m - self._x) * self.per_m

    def places(self, points: FloatArray) -> list[ink.Point]:
        """Of points of shape (n, 2 or 3)."""
        return [self.place(float(point[0]), float(point[1])) for point in points]


def plan_view(story: Story) -> tuple[Markup, Scale] | None:
    """The picture and its scale; None when there is nothing to draw: no path, and nothing that moved."""
    flown = None if story.laid is None else story.laid.positions
    planned = seen_from_above(story.path)
    parts = [*planned] + ([] if flown is None or not len(flown) else [flown.values[:, :2]])
    if not parts or (not planned and np.ptp(parts[0], axis=0).max() < _LEAST_MOVED_M):
        return None
    scale = Scale(np.concatenate(parts))
    drawn = grid(scale, AXES[story.frame])
    drawn += as_planned(story.path, story.corridor_m, scale)
    if story.truth is not None and flown is not None and len(flown):
        seen = story.truth.between(float(flown.time_s[0]), float(flown.time_s[-1]))
        drawn.append(ink.polyline(scale.places(fewer(seen.values)), "track truth"))
    if story.laid is not None and flown is not None and len(flown):
        drawn += _as_flown(story.laid, story.corridor_m, scale)
        drawn.append(ink.circle(scale.places(flown.values[:1])[0], 5, "mark", "start"))
    drawn += _worst(story, scale)
    drawn += leg_labels(story.path, scale)
    drawn.append(ink.circle((-20.0, -20.0), 7, "cursor-dot"))
    title = f"plan view of {story.flown.manifest.scenario}: expected path and path as flown"
    return ink.picture(drawn, WIDTH, scale.height, title, ' class="plan"'), scale


def seen_from_above(path: Sequence[PathLeg]) -> list[FloatArray]:
    """The legs of a path as lines, each of shape (n, 2)."""
    return [leg.points(_ARC_SPACING_M)[:, :2] for leg in path]


def grid(scale: Scale, axes: tuple[str, str]) -> list[str]:
    """Lines at round metres, with their labels."""
    drawn: list[str] = []
    step = np.diff([*ink.ticks(float(scale.low[1]), float(scale.high[1]), 8), np.nan])[0]
    for y in np.arange(np.ceil(scale.low[1] / step), np.floor(scale.high[1] / step) + 1) * step:
        x, _ = scale.place(0.0, float(y))
        drawn.append(ink.line((x, _MARGIN / 2), (x, scale.height - _MARGIN), "grid"))
        drawn.append(ink.label((x, scale.height - _MARGIN + 16), ink.tick_text(float(y)), "tick", "middle"))
    for x_m in np.arange(np.ceil(scale.low[0] / step), np.floor(scale.high[0] / step) + 1) * step:
        _, y_up = scale.place(float(x_m), 0.0)
        drawn.append(ink.line((_MARGIN, y_up), (WIDTH - _MARGIN / 2, y_up), "grid"))
        drawn.append(ink.label((_MARGIN - 6, y_up + 4), ink.tick_text(float(x_m)), "tick", "end"))
    drawn.append(ink.label((WIDTH / 2, scale.height - 8), f"{axes[1]}, m", "axis", "middle"))
    drawn.append(ink.label((8, 16), f"{axes[0]}, m", "axis"))
    return drawn


def as_planned(path: Sequence[PathLeg], corridor_m: float | None, scale: Scale) -> list[str]:
    """The expected path; shaded within `corridor_m` of it, where that is given."""
    planned = seen_from_above(path)
    drawn: list[str] = []
    if corridor_m is not None:
        width = f' style="stroke-width:{ink.number(2 * corridor_m * scale.per_m)}"'
        beside = [points for leg, points in zip(path, planned, strict=True) if has_sides(leg)]
        if beside:  # one line, so that nothing is shaded twice where legs meet
            drawn.append(ink.polyline(scale.places(np.concatenate(beside)), "corridor", width))
    return drawn + [ink.polyline(scale.places(points), "planned") for points in planned]


def leg_labels(path: Sequence[PathLeg], scale: Scale) -> list[str]:
    """Numbers of the legs where they end, on the outer side of the path: inside, tracks would run through them.

    Legs that end in one place share a label.
    """
    ends: dict[tuple[float, float], list[int]] = {}
    for leg in path:
        ends.setdefault((round(leg.end_xyu_m[0], 1), round(leg.end_xyu_m[1], 1)), []).append(leg.index)
    drawn = []
    for (x_m, y_m), indices in ends.items():
        x, y = scale.place(x_m, y_m)
        aside, down = outward((x, y), scale)
        anchor = "start" if aside > _SIDEWAYS else "end" if aside < -_SIDEWAYS else "middle"
        place = x + aside * _LABEL_PX, y + down * _LABEL_PX + 4
        drawn.append(ink.label(place, ", ".join(str(index) for index in indices), "leg", anchor))
    return drawn


def outward(place: ink.Point, scale: Scale) -> ink.Point:
    """The direction from the middle of the picture, of length 1; upwards in the middle itself."""
    aside, down = place[0] - WIDTH / 2, place[1] - scale.height / 2
    length = float(np.hypot(aside, down))
    return (aside / length, down / length) if length > 1.0 else (0.0, -1.0)


def _as_flown(laid: Evidence, corridor_m: float | None, scale: Scale) -> list[str]:
    """Stretches of one class each, end to end."""
    positions = laid.positions
    if positions is None:
        return []
    kinds = np.zeros(len(positions), int)
    for part in laid.legs:
        if part.cross_track_m is None or corridor_m is None:
            continue
        first = np.searchsorted(positions.time_s, part.time_s[0]) if len(part.time_s) else 0
        size = np.abs(part.cross_track_m)
        kinds[first : first + len(size)] = 1 + (size > 0.5 * corridor_m) + (size > corridor_m)
    edges = [0, *(np.flatnonzero(np.diff(kinds)) + 1).tolist(), len(kinds)]
    stride = max(1, len(kinds) // _MOST_POINTS)
    drawn = []
    for begin, end in pairwise(edges):
        points = positions.values[begin : end + 1]
        points = np.concatenate([points[:-1:stride], points[-1:]])
        drawn.append(ink.polyline(scale.places(points), f"track {_CLASSES[kinds[begin]]}"))
    return drawn


def _worst(story: Story, scale: Scale) -> list[str]:
    """A ring where the worst failing measure was decided."""
    grade, laid = story.flown.grade, story.laid
    if grade is None or laid is None or laid.positions is None:
        return []
    failing = [one for one in grade.measures if one.passed is False and one.at_s is not None and one.says]
    if not failing:
        return []
    worst = min(failing, key=lambda one: one.margin or 0.0)
    index = min(int(np.searchsorted(laid.positions.time_s, worst.at_s or 0.0)), len(laid.positions) - 1)
    place = scale.places(laid.positions.values[index : index + 1])[0]
    return [ink.circle(place, 10, "worst", worst.says)]


def fewer(points: FloatArray, most: int = _MOST_POINTS) -> FloatArray:
    """As many of them as a picture needs."""
    return points[:: max(1, -(-len(points) // most))]
