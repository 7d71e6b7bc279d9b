"""Two flights in one picture: the plan view of both, and signals of both over flight time.

A is drawn solid, B dashed, so that nothing hangs on colour. Marks stand where A was at their moment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from asflown.frames import FloatArray
from asflown.record.series import Series
from asflown.report.site import ink, strips
from asflown.report.site.plan_view import (
    WIDTH,
    Scale,
    as_planned,
    fewer,
    grid,
    leg_labels,
    outward,
    seen_from_above,
)
from asflown.report.site.story import AXES, Curve, Story, positions

Mark = tuple[str, float]
"""What is marked, in two words, and the moment of it in A."""
_NEAR_PX = 18.0
_POINTS_OF_SHOWN, _POINTS_OF_OTHERS = 1_000, 150


@dataclass(frozen=True, slots=True)
class Side:
    """What is drawn of one side: the flight that is shown, and where the others of its set went."""

    story: Story
    others: tuple[Series, ...] = ()


def plan_of_both(a: Side, b: Side, marks: Sequence[Mark]) -> tuple[Markup, Scale] | None:
    """Both flights over the path that A expects; None when neither can be drawn."""
    frame = a.story.frame
    shown = [(side, name, positions(side.story, frame)) for side, name in ((a, "a"), (b, "b"))]
    parts = seen_from_above(a.story.path)
    parts += [one.values[:, :2] for _, _, one in shown if one is not None]
    if not parts:
        return None
    scale = Scale(np.concatenate(parts))
    drawn = grid(scale, AXES[frame])
    drawn += as_planned(a.story.path, a.story.corridor_m, scale)
    for side, name, _ in shown:
        drawn += [_flown(one.values, scale, f"side-{name} other", _POINTS_OF_OTHERS) for one in side.others]
    drawn += [_flown(one.values, scale, f"side-{name}") for _, name, one in shown if one is not None]
    if shown[0][2] is not None:
        drawn.append(ink.circle(scale.places(shown[0][2].values[:1])[0], 5, "mark", "start"))
        drawn += _rings(shown[0][2], marks, scale)
    drawn += leg_labels(a.story.path, scale)
    drawn += [
        ink.circle((-20.0, -20.0), 7, "cursor-dot"),
        ink.rectangle((-40.0, -40.0), 12, 12, "cursor-dot of-b"),
    ]
    title = f"plan view of A and B: {a.story.flown.manifest.scenario}"
    return ink.picture(drawn, WIDTH, scale.height, title, ' class="plan"'), scale


def strips_of_both(a: Story, b: Story, axis: strips.Axis, marks: Sequence[Mark]) -> list[tuple[str, Markup]]:
    """Each signal that both have, one strip each; first how far they were from each other."""
    drawn = []
    for curve in [*_distance(a, b), *a.curves]:
        theirs = next((one for one in b.curves if one.title == curve.title), None)
        lines = [strips.Line(curve.series, "curve side-a")]
        if theirs is not None:
            lines.append(strips.Line(theirs.series, "curve side-b"))
        limits = curve.limits or (() if theirs is None else theirs.limits)
        drawn.append((curve.title, strips.lines_strip(curve.title, curve.unit, lines, limits, axis, marks)))
    return drawn


def distance(a: Story, b: Story) -> Series | None:
    """How far B was from A at equal flight times, metres; None where either is not known."""
    one, other = positions(a, a.frame), positions(b, a.frame)
    if one is None or other is None:
        return None
    both = one.time_s[(one.time_s >= other.time_s[0]) & (one.time_s <= other.time_s[-1])]
    if len(both) < 2:
        return None
    between = [
        np.interp(both, one.time_s, one.values[:, axis])
        - np.interp(both, other.time_s, other.values[:, axis])
        for axis in range(3)
    ]
    apart: FloatArray = np.sqrt(sum((part**2 for part in between), np.zeros(len(both))))
    return Series(both, apart)


def _distance(a: Story, b: Story) -> list[Curve]:
    found = distance(a, b)
    return [] if found is None else [Curve("Distance of B from A", "m", found)]


def _flown(points: FloatArray, scale: Scale, classes: str, most: int = _POINTS_OF_SHOWN) -> str:
    return ink.polyline(scale.places(fewer(points, most)), f"track {classes}")


def _rings(a: Series, marks: Sequence[Mark], scale: Scale) -> list[str]:
    """A ring with its number where A was at each mark; marks of one place share a ring."""
    placed: list[tuple[ink.Point, list[str]]] = []
    for text, at_s in marks:
        index = min(int(np.searchsorted(a.time_s, at_s)), len(a) - 1)
        x, y = scale.places(a.values[index : index + 1])[0]
        near = next((names for (u, v), names in placed if abs(u - x) + abs(v - y) < _NEAR_PX), None)
        if near is None:
            placed.append(((x, y), [text]))
        else:
            near.append(text)
    drawn = []
    for (x, y), names in placed:
        drawn.append(ink.circle((x, y), 9, "worst", ", ".join(names)))
        aside, down = outward((x, y), scale)  # numbers of legs stand on the outer side
        inner = x - 12 if aside > 0 else x + 12, y + (-12 if down > 0 else 20)
        drawn.append(ink.label(inner, ", ".join(names), "found", "end" if aside > 0 else "start"))
    return drawn
