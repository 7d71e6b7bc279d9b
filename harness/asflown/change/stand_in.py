"""Simulation against hardware: whether the one may stand in for the other in this scenario, and what explains a gap.

A is simulated, B is what it should stand for. Each side keeps its own statistic. An explanation says which simulated
condition would look like the gap that the captures show. It is a suggestion to try, never a proof: other causes look
the same, and each explanation names them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from asflown.change import observed
from asflown.change.compare import Bands, compare
from asflown.change.findings import Comparison
from asflown.change.observed import Observable, observe
from asflown.change.samples import LEVEL
from asflown.change.sets import FlightSet
from asflown.change.sides import interval_of
from asflown.change.words import count, listing, quantity
from asflown.errors import ExitCode, UsageError

Answer = Literal["may stand in", "may not stand in", "not shown"]
EXIT_CODES: dict[Answer, ExitCode] = {
    "may stand in": ExitCode.PASSED,
    "may not stand in": ExitCode.FAILED,
    "not shown": ExitCode.INCONCLUSIVE,
}
SIMULATED = frozenset({"built-in", "container"})
LEAST_LEAN_M_S2 = 0.1
"""A smaller difference of lean is not read as wind."""
LEAST_THROTTLE = 0.01
LEAST_DELAY_S = 0.01
LEAST_LOSS = 0.01


@dataclass(frozen=True, slots=True)
class Explanation:
    """One simulated condition that would look like the gap."""

    condition: Literal["wind", "link", "mass"]
    says: str
    try_this: str
    """What to change in the scenario or the vehicle before comparing again."""
    caution: str
    """What else looks the same."""
    sure: bool
    """Each side's own interval lies apart from the other's; else there is one flight, or they overlap."""


@dataclass(frozen=True, slots=True)
class StandIn:
    """The answer, what it rests on, and what would explain the gap."""

    answer: Answer
    statement: str
    comparison: Comparison
    verdicts: tuple[str, str]
    """How the flights of either side were graded."""
    explanations: tuple[Explanation, ...]
    cautions: tuple[str, ...]

    @property
    def exit_code(self) -> ExitCode:
        """0 may stand in, 1 may not, 4 not shown."""
        return EXIT_CODES[self.answer]


def stand_in(simulated: FlightSet, hardware: FlightSet, bands: Bands | None = None) -> StandIn:
    """Whether `simulated` may stand in for `hardware`. Raises UsageError when the first is not a simulation."""
    kind = simulated.flights[0].manifest.vehicle.kind
    if kind not in SIMULATED:
        raise UsageError(
            f"{simulated.name} was flown by a vehicle of kind {kind}, not a simulated one",
            "Name the simulated flights first",
        )
    found = compare(simulated, hardware, bands)
    answer = _answer(found)
    explanations = tuple(_explanations(simulated, hardware))
    statement = _statement(answer, found, explanations, simulated.kind.scenario)
    verdicts = _verdicts(simulated), _verdicts(hardware)
    return StandIn(answer, statement, found, verdicts, explanations, tuple(_cautions(hardware)))


def _answer(found: Comparison) -> Answer:
    if found.conclusion == "different":
        return "may not stand in"
    same = {"same", "equivalent", "changed within the band"}
    shown = bool(found.measures) and all(one.word in same for one in found.measures)
    return "may stand in" if shown else "not shown"


def _statement(
    answer: Answer, found: Comparison, explanations: tuple[Explanation, ...], scenario: str
) -> str:
    if answer == "may stand in":
        agree = f"{count(len(found.measures), 'measure')} agree within their bands"
        return f"the simulation may stand in for the vehicle in {scenario}: {agree}"
    if answer == "not shown":
        open_ones = [one.name for one in found.measures if one.word == "undecided"]
        still = f"{listing(open_ones, 3)} open" if open_ones else "there is no measure to tell by"
        return f"that the simulation may stand in for the vehicle in {scenario} is not shown: {still}"
    changed = [one.name for one in found.measures if one.word == "changed"]
    seen = (one.cause.value for one in found.findings if one.seen != "given")
    why = [*changed] or [next(seen, found.first.cause.value)]
    by = f"; {listing([one.condition for one in explanations])} would look like it" if explanations else ""
    return f"the simulation may not stand in for the vehicle in {scenario}: {listing(why, 3)}{by}"


def _verdicts(side: FlightSet) -> str:
    counted = Counter(one.grade.verdict for one in side)
    return ", ".join(f"{number} {word}" for word, number in sorted(counted.items()))


@dataclass(frozen=True, slots=True)
class _Seen:
    """One observable on both sides."""

    a: float
    b: float
    sure: bool


def _seen(a: FlightSet, b: FlightSet, what: Observable) -> _Seen | None:
    values = observe(a, what), observe(b, what)
    if not values[0] or not values[1]:
        return None
    intervals = [interval_of(side, 1 - LEVEL) for side in values]
    sure = False
    if intervals[0] is not None and intervals[1] is not None:
        sure = intervals[0][1] < intervals[1][0] or intervals[1][1] < intervals[0][0]
    return _Seen(float(np.mean(values[0])), float(np.mean(values[1])), sure)


_BY_NAME = {one.of: one for one in observed.OBSERVABLES}


def _explanations(a: FlightSet, b: FlightSet) -> Iterator[Explanation]:
    yield from _wind(a, b)
    yield from _link(a, b)
    yield from _mass(a, b)


def _wind(a: FlightSet, b: FlightSet) -> Iterator[Explanation]:
    """Wind, by the lean that the hovering vehicle holds against it."""
    north, east = (_seen(a, b, _BY_NAME[of]) for of in (observed.lean_north, observed.lean_east))
    if north is None or east is None:
        return
    gap = math.hypot(north.b - north.a, east.b - east.a)
    if gap < LEAST_LEAN_M_S2 or not (north.sure or east.sure):
        return
    lean = math.hypot(north.a, east.a), math.hypot(north.b, east.b)
    from_deg = math.degrees(math.atan2(east.b, north.b)) % 360
    says = f"in hover B leans {lean[1]:.2f} m/s2 towards {from_deg:.0f} deg, A {lean[0]:.2f} m/s2"
    given = _wind_given(a)
    if given is not None and lean[0] > LEAST_LEAN_M_S2:
        ratio = lean[1] / lean[0]
        low, high = sorted((given * math.sqrt(ratio), given * ratio))
        by = "as drag grows with the square of speed, or with speed"
        try_this = f"wind of {low:.1f} to {high:.1f} m/s from {from_deg:.0f} deg, {by}"
    else:
        try_this = f"wind from {from_deg:.0f} deg"
    caution = (
        "an attitude estimate out of level, or a load off centre, looks the same while the heading stays"
    )
    yield Explanation("wind", says, try_this, caution, sure=True)


def _wind_given(a: FlightSet) -> float | None:
    wind = a.flights[0].manifest.conditions.get("wind") or {}
    speed = wind.get("speed_m_s")
    return float(speed) if speed else None


def _link(a: FlightSet, b: FlightSet) -> Iterator[Explanation]:
    """The link, by how long answers take, how unsteady they come, and what is lost."""
    asked = {
        "a command's answer takes": (observed.answer_time, "s", LEAST_DELAY_S),
        "delays spread over": (observed.delay_spread, "s", LEAST_DELAY_S),
        "the loss of telemetry is": (observed.loss_down, "1", LEAST_LOSS),
    }
    says, sure = [], False
    for words, (of, unit, least) in asked.items():
        seen = _seen(a, b, _BY_NAME[of])
        if seen is not None and seen.sure and abs(seen.b - seen.a) > least:
            says.append(f"{words} {quantity(seen.b, unit)} in B, {quantity(seen.a, unit)} in A")
            sure = True
    if says:
        caution = "a busy or slow autopilot answers late, too; measure the radio by itself with `asflown link survey`"
        try_this = "a radio profile made of B's link by `asflown link survey`"
        yield Explanation("link", "; ".join(says), try_this, caution, sure)


def _mass(a: FlightSet, b: FlightSet) -> Iterator[Explanation]:
    """Mass, by the throttle of hover: the thrust of a rotor goes with the square of its speed."""
    seen = _seen(a, b, _BY_NAME[observed.hover_throttle])
    if seen is None or not seen.sure or abs(seen.b - seen.a) < LEAST_THROTTLE or seen.a <= 0:
        return
    share = (seen.b / seen.a) ** 2 - 1
    says = f"in hover B needs {seen.b:.1%} throttle, A {seen.a:.1%}"
    word = "heavier" if share > 0 else "lighter"
    try_this = f"a craft that is {abs(share):.0%} {word}, if its throttle is in proportion to rotor speed"
    caution = "thin or warm air, a weak battery, worn propellers and strong wind look the same"
    yield Explanation("mass", says, try_this, caution, sure=True)


def _cautions(b: FlightSet) -> Iterator[str]:
    yield "this holds for this scenario, these bands and the conditions flown, and for nothing else"
    if len(b) < 2:
        yield f"{count(len(b), 'flight')} of B does not tell a gap from noise; fly more"
    if b.flights[0].manifest.vehicle.kind in SIMULATED:
        yield f"B was flown by a vehicle of kind {b.flights[0].manifest.vehicle.kind}: it is no hardware itself"
    else:
        yield "where B really flew is not known: it is judged by its own estimate"
