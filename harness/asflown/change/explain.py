"""The story of one flight in ten lines: expected, happened, first sign, chain of events, the nearest that passed.

The chain is what weighs most around and after the first sign, in the order of time. The nearest flight is an earlier
one of the same scenario and vehicle that passed and differs in as little as possible of what it was given.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from asflown.change.compare import compare
from asflown.change.findings import Cause, Finding
from asflown.change.given import given_differences
from asflown.change.happenings import DECISION, SIGN, Happening, happenings
from asflown.change.sets import NOT_FLOWN, FlightSet, FlownFlight, flights_in, make_set
from asflown.change.words import count, listing, quantity
from asflown.errors import AsflownError, FolderProblem
from asflown.grade.result import Measured
from asflown.scenario.model import Limit

MOST_LINES = 10
CHAIN_LINES = 5
BEFORE_S = 15.0
"""How long before the first sign the chain begins at the earliest."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a story; `what` says what kind of line, `at_s` when."""

    what: str
    says: str
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class Story:
    """A flight's story, and the flight that it was held against."""

    flight: FlownFlight
    verdict: str
    lines: tuple[Line, ...]
    nearest: FlownFlight | None


def explain(flight: FlownFlight, others: Iterable[FlownFlight] = ()) -> Story:
    """The story of `flight`; `others` are flights among which an earlier one that passed is looked for.

    Raises FolderProblem when the flight can be neither read nor graded.
    """
    verdict = flight.grade.verdict
    nearest = nearest_that_passed(flight, others)
    lines = [Line("expected", _expected(flight)), Line("happened", _happened(flight))]
    if flight.manifest.outcome not in NOT_FLOWN:
        everything = happenings(flight)
        lines += _chain(everything) if verdict != "pass" else []
    room = MOST_LINES - len(lines)
    return Story(flight, verdict, (*lines, *_held_against(flight, nearest)[:room]), nearest)


def _expected(flight: FlownFlight) -> str:
    scenario = flight.scenario
    about = flight.manifest.scenario if scenario is None else scenario.summary.rstrip(".") or scenario.name
    failed = [one for one in flight.grade.measures if one.passed is False]
    asked = [f"{one.name} {_limit(one.limit, one.unit)}" for one in failed[:2]]
    rules = [f"rule '{one.name}'" for one in flight.grade.rules if one.passed is False]
    what = listing([*asked, *rules][:3]) if asked or rules else "the script ends well and every leg is flown"
    return f"{about}; among it {what}"


def _limit(limit: Limit, unit: str) -> str:
    if limit.between is not None:
        return f"{quantity(limit.between[0], unit)} to {quantity(limit.between[1], unit)}"
    if limit.at_most is not None:
        return f"at most {quantity(limit.at_most, unit)}"
    return f"at least {quantity(limit.at_least or 0.0, unit)}"


def _happened(flight: FlownFlight) -> str:
    grade = flight.grade
    if grade.verdict == "pass":
        return (
            f"it passed: {count(len(grade.measures), 'measure')} and {count(len(grade.rules), 'rule')} held"
        )
    worst = _worst(grade.measures)
    if worst is None or worst.name in grade.reason[:40]:
        return f"{grade.verdict}: {grade.reason}"
    reason, _, others = grade.reason.partition("; also ")
    rest = [name for name in others.split(", ") if name not in {worst.name, ""}]
    also = f"; also {', '.join(rest)}" if rest else ""
    return f"{grade.verdict}: {reason}; {worst.name}: {worst.says}{also}"


def _worst(measures: Sequence[Measured]) -> Measured | None:
    failed = [one for one in measures if one.margin is not None and one.margin < 0]
    return min(failed, key=lambda one: one.margin or 0.0, default=None)


def _chain(everything: Sequence[Happening]) -> list[Line]:
    """The first sign, and what weighs most around and after it; in the order of time."""
    signs = [one for one in everything if one.weight == SIGN]
    if not signs:
        return [Line("first sign", "none: nothing in the captures stands out before the end")]
    first = signs[0]
    near = [one for one in everything if one.at_s >= first.at_s - BEFORE_S and one is not first]
    before = [one for one in near if one.at_s <= first.at_s and one.weight >= DECISION][-1:]
    after = [one for one in near if one.at_s > first.at_s]
    after = sorted(_without_repeats(after), key=lambda one: (-one.weight, one.at_s))
    kept = sorted([*before, *after[: CHAIN_LINES - len(before)]], key=lambda one: one.at_s)
    told = [Line("before" if one.at_s <= first.at_s else "then", one.says, one.at_s) for one in kept]
    place = sum(one.what == "before" for one in told)
    return [*told[:place], Line("first sign", first.says, first.at_s), *told[place:]]


def _without_repeats(found: Sequence[Happening]) -> list[Happening]:
    return list({one.says: one for one in reversed(found)}.values())[::-1]


def nearest_that_passed(flight: FlownFlight, others: Iterable[FlownFlight]) -> FlownFlight | None:
    """The earlier flight of the same scenario and vehicle that passed and was given most nearly the same."""
    own = flight.manifest
    earlier = [
        one
        for one in others
        if one.manifest.scenario == own.scenario
        and one.manifest.vehicle.name == own.vehicle.name
        and one.manifest.outcome not in NOT_FLOWN
        and (one.manifest.started_utc, one.folder.name) < (own.started_utc, flight.folder.name)
        and _passed(one)
    ]
    return min(earlier, key=lambda one: _distance(flight, one), default=None)


def _passed(flight: FlownFlight) -> bool:
    try:
        return flight.grade.verdict == "pass"
    except AsflownError:
        return False  # what cannot be graded any more is no help


def _distance(flight: FlownFlight, other: FlownFlight) -> tuple[int, bool, bool, str]:
    """How much they were given that differs, then the seed, then the clock, then how long ago."""
    differing = len(given_differences(_alone(flight), _alone(other)))
    own, theirs = flight.manifest, other.manifest
    backwards = "".join(
        chr(0x10FFFF - ord(letter)) for letter in theirs.started_utc
    )  # the latest sorts first
    return differing, own.seed != theirs.seed, own.clock.kind != theirs.clock.kind, backwards


def _alone(flight: FlownFlight) -> FlightSet:
    return make_set(str(flight.folder), [flight])


def _held_against(flight: FlownFlight, nearest: FlownFlight | None) -> list[Line]:
    if nearest is None:
        return [Line("nearest", "no earlier flight of this scenario and vehicle that passed is kept")]
    which = f"{nearest.folder} passed (seed {nearest.manifest.seed})"
    try:
        found = compare(_alone(nearest), _alone(flight))
    except FolderProblem as problem:
        return [Line("nearest", f"{which}; {problem.problem}")]
    return [Line("nearest", which), Line("differs", _difference(found.findings), found.first.at_s)]


def _difference(findings: Sequence[Finding]) -> str:
    first = findings[0]
    if first.cause is Cause.NOTHING:
        return "nothing that the captures of two flights can show; fly more seeds"
    return f"{first.cause.value}: {first.says}"


def others_in(store: Path) -> list[FlownFlight]:
    """The flights of a store, for `explain`; none where there is no store."""
    return list(flights_in(store)) if store.is_dir() else []
