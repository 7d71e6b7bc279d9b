"""The story of two flights: how long they went together, what parted them, what followed in each, how both ended.

Told from what a comparison of the two found and from what happened in each, in the order of time. Times are flight time
in seconds; the moment at which they part is told in A.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from asflown.change import twins
from asflown.change.explain import Line
from asflown.change.findings import Cause, Comparison
from asflown.change.happenings import DECISION, SIGN, Happening, happenings
from asflown.change.response import Apart, apart, twins_apart
from asflown.change.sets import FlownFlight, make_set
from asflown.record.series import Source

THEN_LINES = 3
"""Of each flight, what weighs most after they parted."""
TOGETHER_S = 0.05
"""What happens in both within so much of each other happens to both."""
Whose = Literal["both", "A", "B"]


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that happened in one flight, or in both at once."""

    at_s: float
    whose: Whose
    says: str
    weight: int


@dataclass(frozen=True, slots=True)
class PairStory:
    """The story of A and B."""

    lines: tuple[Line, ...]
    moments: tuple[Moment, ...]
    """Everything of weight that happened, in the order of time."""
    signs: tuple[tuple[str, float], ...]
    """The first sign of each flight that something was wrong: words for a mark, and when."""


def tell(a: FlownFlight, b: FlownFlight, found: Comparison) -> PairStory:
    """The story of A and B; `found` is a comparison of them, or of sets that they stand for.

    Raises FolderProblem when one of them can be neither read nor graded.
    """
    source: Source = found.measures[0].source if found.measures else "estimate"
    are_twins = bool(twins.pairs(make_set("A", [a]), make_set("B", [b])))
    part = twins.parting(a, b) if are_twins else None
    away = twins_apart(a, b, source) if are_twins else apart([a], [b], source)
    moments = _moments(happenings(a), happenings(b))
    since_s = min((one.at_s for one in (part, away) if one is not None), default=0.0)
    lines = [_together(part, away, found, are_twins=are_twins), *_reason(found)]
    if away is not None:
        lines.append(Line("paths", away.says(), away.at_s))
    lines += _then(moments, since_s)
    lines += [Line(f"{name} ended", _end(one)) for name, one in (("A", a), ("B", b))]
    return PairStory(tuple(lines), tuple(moments), _signs(moments))


def _together(part: twins.Parting | None, away: Apart | None, found: Comparison, *, are_twins: bool) -> Line:
    """Until when both did the same, and how that is known."""
    if are_twins and part is None:
        return Line("together", "to the end: every frame of both is equal and came at the same time")
    if part is not None:
        then = "" if part.says in found.first.says else f"; then {part.says}"
        says = f"until {part.at_s:.2f} s all that both sent and received was equal to the byte{then}"
        return Line("together", says, part.at_s)
    if away is not None:
        return Line("together", f"until {away.at_s:.1f} s their paths lay side by side", away.at_s)
    return Line("together", "no place is known at which their paths part")


def _reason(found: Comparison) -> list[Line]:
    first = found.first
    if first.cause is Cause.NOTHING:
        return [Line("why", first.says)]
    where = "" if first.leg is None else f", on {first.leg}"
    return [Line("why", f"{first.cause.value}{where}: {first.says}", first.at_s)]


def _moments(of_a: Sequence[Happening], of_b: Sequence[Happening]) -> list[Moment]:
    """What happened in both, A and B, by its words; the n-th time in A beside the n-th in B."""
    left: dict[str, list[Happening]] = {}
    for one in of_b:
        left.setdefault(one.says, []).append(one)
    found: list[Moment] = []
    for one in of_a:
        others = left.get(one.says, [])
        shared = next((other for other in others if abs(other.at_s - one.at_s) <= TOGETHER_S), None)
        if shared is not None:
            others.remove(shared)
        found.append(Moment(one.at_s, "A" if shared is None else "both", one.says, one.weight))
    found += [Moment(one.at_s, "B", one.says, one.weight) for others in left.values() for one in others]
    heavy = [one for one in found if one.weight >= DECISION]
    return sorted(heavy, key=lambda one: (one.at_s, one.whose, one.says))


def _then(moments: Sequence[Moment], since_s: float) -> list[Line]:
    """What weighs most in each flight after they parted, where it did not happen in the other as well."""
    words = {whose: {one.says for one in moments if one.whose == whose} for whose in ("A", "B")}
    kept: list[Moment] = []
    for whose, other in (("A", "B"), ("B", "A")):
        own = [one for one in moments if one.whose == whose and one.at_s >= since_s]
        own = [one for one in own if one.says not in words[other]]
        first = {one.says: one for one in reversed(own)}
        kept += sorted(first.values(), key=lambda one: (-one.weight, one.at_s))[:THEN_LINES]
    kept.sort(key=lambda one: (one.at_s, one.whose))
    return [Line(f"then {one.whose}", one.says, one.at_s) for one in kept]


def _end(flight: FlownFlight) -> str:
    grade = flight.grade
    return grade.verdict if not grade.reason else f"{grade.verdict}: {grade.reason}"


def _signs(moments: Sequence[Moment]) -> tuple[tuple[str, float], ...]:
    found = []
    for whose in ("A", "B"):
        sign = next((one for one in moments if one.weight == SIGN and one.whose in (whose, "both")), None)
        if sign is not None:
            found.append((f"first sign in {whose}", sign.at_s))
    return tuple(found)
