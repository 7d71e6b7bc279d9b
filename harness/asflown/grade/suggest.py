"""Proposes limits of measures from flights that were flown, instead of guesses.

A proposed limit is a tolerance limit: that share of all flights keeps it, with that confidence, as long as they are
flown as these were. What was wrong in these flights is proposed as right: look at those that fail before accepting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from asflown.errors import UsageError
from asflown.grade.result import Measured
from asflown.grade.statistics.tolerance import Side, ToleranceLimits, flights_needed, tolerance_limits
from asflown.grade.tolerances import Graded, in_words, samples, side_of
from asflown.grade.verdict import by_kind, kind_in_words
from asflown.scenario.edit import Change
from asflown.scenario.model import Limit, Share90


@dataclass(frozen=True, slots=True)
class Proposal:
    """What one measure's limit would become; without `changes` it is left alone."""

    measure: str
    changes: tuple[Change, ...]
    says: str
    """`0.9 of all flights stay below 0.42 m (confidence 0.9, distribution-free, 24 flights)`, or why there is none."""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Proposals for all limits of a scenario, and how many of the flights fail by the limits of today."""

    proposals: tuple[Proposal, ...]
    coverage: float
    flights: int
    failing: int


def suggest(flights: Sequence[Graded], judge: Share90) -> Suggestion:
    """Limits that `judge.share` of all flights keep with `judge.confidence`, in the scenario's order.

    Raises UsageError for flights of several kinds, and where there are too few flights for any limit.
    """
    kinds = by_kind(flight for flight, _ in flights)
    if len(kinds) > 1:
        named = ", ".join(kind_in_words(kind, kinds) for kind in kinds)
        raise UsageError(f"these flights are of several kinds ({named})", "Name flights of one kind")
    grades = samples(flights)
    names = list(dict.fromkeys(one.name for grade in grades for one in grade.measures))
    if grades and not names:
        raise UsageError("the scenario limits no measures", "Add `measures` with limits to start from")
    proposals = tuple(
        _proposal(name, [[m for m in grade.measures if m.name == name] for grade in grades], judge)
        for name in names
    )
    if not any(proposal.changes for proposal in proposals):
        raise _too_few(len(grades), proposals, judge)
    return Suggestion(proposals, judge.share, len(grades), sum(grade.verdict != "pass" for grade in grades))


def _too_few(flights: int, proposals: Sequence[Proposal], judge: Share90) -> UsageError:
    what = f"limits that {judge.share:.4g} of all flights keep, with confidence {judge.confidence:.4g}"
    needed = 2 if judge.tolerance == "normal" else flights_needed(judge.share, judge.confidence)
    if flights >= needed:
        return UsageError(
            f"no limit can be proposed: {'; '.join(f'{p.measure}: {p.says}' for p in proposals)}",
            "Look at these flights first",
        )
    counted = "1 flight is" if flights == 1 else f"{flights} flights are"
    return UsageError(
        f"{counted} too few to propose {what}: equal seeds in lockstep count once, and flights that were not flown "
        "not at all",
        f"Fly {needed - flights} more with other seeds ({needed} in all), or ask for less with --coverage and "
        "--confidence",
    )


def _proposal(name: str, measured: Sequence[Sequence[Measured]], judge: Share90) -> Proposal:
    """A limit for one measure; `measured` has one entry for each track of each flight, which all must keep it."""
    limit, unit = measured[0][0].limit, measured[0][0].unit
    side = side_of(limit)
    missing = sum(any(one.value is None for one in those) for those in measured)
    if missing:
        says = f"left alone: not measurable in {missing} of {len(measured)} flights"
        return Proposal(name, (), says)
    lows = _limits([min(_values(those)) for those in measured], "lower" if side != "both" else side, judge)
    highs = _limits([max(_values(those)) for those in measured], "upper" if side != "both" else side, judge)
    found = lows if side == "lower" else highs
    if found is None or lows is None:
        needed = flights_needed(judge.share, judge.confidence, side=side)
        return Proposal(name, (), f"left alone: {len(measured)} flights are too few, {needed} are needed")
    if side == "both":
        found = ToleranceLimits(
            lows.low, found.high, found.coverage, found.confidence, found.way, found.flights
        )
    return _worded(name, limit, found, unit)


def _values(measured: Sequence[Measured]) -> list[float]:
    return [one.value for one in measured if one.value is not None]


def _limits(values: Sequence[float], side: Side, judge: Share90) -> ToleranceLimits | None:
    return tolerance_limits(values, judge.share, judge.confidence, side=side, way=judge.tolerance)


def _worded(name: str, limit: Limit, found: ToleranceLimits, unit: str) -> Proposal:
    keys = ("expect", "measures", name)
    if limit.between is not None:
        assert found.low is not None
        assert found.high is not None
        changes: tuple[Change, ...] = (
            Change((*keys, "between", 0), found.low, "down"),
            Change((*keys, "between", 1), found.high, "up"),
        )
    elif limit.at_most is not None:
        assert found.high is not None
        changes = (Change((*keys, "at_most"), found.high, "up"),)
    else:
        assert found.low is not None
        changes = (Change((*keys, "at_least"), found.low, "down"),)
    if limit.scale is None and any(change.value == 0 for change in changes):
        return Proposal(
            name, (), "left alone: a limit of 0 has no size to measure a margin by; give it a `scale`"
        )
    return Proposal(name, changes, in_words(found, unit))
