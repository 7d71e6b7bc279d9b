"""The point of no return of a flight: from which moment on its failure was all but certain, and what happened then."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from asflown.campaign.flying import Outcome
from asflown.campaign.moments import CONFIDENCE, Asked, Found, Moment, find_moment
from asflown.campaign.replay import ANEW_AT, Branches, Original, failed
from asflown.campaign.store import FLIGHTS
from asflown.campaign.when_page import Told, write_page
from asflown.change.happenings import Happening, happenings
from asflown.change.sets import FlownFlight, flights_in
from asflown.errors import ExitCode
from asflown.grade.statistics.proportion import share_at_least
from asflown.report import atomic
from asflown.scenario.model import Conditions

WHEN = Path(".asflown") / "when"
_AROUND_S, _MOST_HAPPENINGS = 1.0, 8


@dataclass(frozen=True, slots=True)
class When:
    """What was found of one flight."""

    flight: FlownFlight
    found: Found
    answer: str
    happened: tuple[Happening, ...]
    """Around the moment, in the order of time."""
    given: tuple[tuple[float, str], ...]
    """Faults and gusts of the scenario, which are the same in every branch."""
    flown: int
    other_reasons: int
    """Branches that failed, but in nothing that the flight itself failed in."""
    unanswered: int
    """Branches that could not be flown, or did not decide."""
    passed: Path | None
    """A branch that passed, from the last moment that was open; kept, to be looked at."""

    @property
    def again(self) -> tuple[str, ...]:
        """Commands that look closer."""
        if self.passed is None:
            return (shlex.join(["asflown", "explain", str(self.flight.folder)]),)
        return (shlex.join(["asflown", "compare", str(self.flight.folder), str(self.passed)]),)

    @property
    def exit_code(self) -> ExitCode:
        """Of the command."""
        if not self.found.answered:
            return ExitCode.NOT_FLOWN
        return ExitCode.PASSED if self.found.clear else ExitCode.INCONCLUSIVE


def find_when(flight: FlownFlight, branches: Branches, *, within_s: float, most: int) -> When:
    """Flies at most `most` branches. Raises UsageError when the flight cannot be flown again, and FolderProblem."""
    branches.begin()
    original = branches.original
    found = find_moment(
        original.end_tick, branches.ask, within_ticks=max(1, round(within_s * 100)), most=most
    )
    outcomes = branches.store.done()
    asked = {
        original.branch(Asked(one.tick, number))[0] for one in found.moments for number in range(one.asked)
    }
    flown = [outcome for number, outcome in sorted(outcomes.items()) if number in asked]
    branches.store.close()
    return When(
        flight, found, answer(found), tuple(_around(flight, found)),
        tuple(given_by(original.as_flown.conditions)), len(flown), _others(flight, flown),
        sum(failed(one) is None for one in flown), _kept(original, found, branches),
    )  # fmt: skip


def answer(found: Found) -> str:
    """One sentence or two."""
    certain, still_open = found.from_moment, found.open_moment
    if not found.answered:
        return "no branch of the flight could be flown"
    if certain is not None and still_open is None:
        says = f"Failure was all but certain from the start: {_borne_out(certain)}. It is not chance: look at the "
        return f"{says}script, and at what the scenario gives the flight."
    assert still_open is not None
    passed = f"{still_open.answered - still_open.happened} of {still_open.answered} branches still passed"
    if not found.clear:
        until_s = found.end_tick / 100 if certain is None else certain.at_s
        told = f"Not clear after {found.answered} branches: so far it lies between {still_open.at_s:.2f} s"
        return f"{told} and {until_s:.2f} s. More would tell (--most)."
    if certain is None:
        return (
            f"Nothing was decided before the end: with other chance after {still_open.at_s:.2f} s {passed}."
        )
    says = f"From {certain.at_s:.2f} s on failure was all but certain: {_borne_out(certain)}."
    return f"{says} With other chance after {still_open.at_s:.2f} s {passed}: look for the cause in between."


def _borne_out(one: Moment) -> str:
    least = share_at_least(one.happened, one.answered, CONFIDENCE)
    counted = f"{one.happened} of {one.answered} branches failed"
    return f"{counted}, which shows {least:.0%} or more with {CONFIDENCE:.0%} confidence"


def given_by(conditions: Conditions) -> Iterator[tuple[float, str]]:
    """What the scenario does to the flight, and when it begins."""
    for fault in conditions.faults:
        yield fault.at_s, fault.inject
    for gust in conditions.wind.gusts:
        yield gust.at_s, f"gust of {gust.speed_m_s:g} m/s"


def _around(flight: FlownFlight, found: Found) -> list[Happening]:
    """What weighs most around the moment."""
    certain, still_open = found.from_moment, found.open_moment
    if still_open is None:
        return []
    end_s = found.end_tick / 100 if certain is None else certain.at_s
    near = [one for one in happenings(flight) if still_open.at_s - _AROUND_S <= one.at_s <= end_s + _AROUND_S]
    heaviest = sorted(near, key=lambda one: -one.weight)[:_MOST_HAPPENINGS]
    return sorted(heaviest, key=lambda one: one.at_s)


def _others(flight: FlownFlight, flown: list[Outcome]) -> int:
    """Branches that failed in nothing that the flight failed in; 0 where it failed in no measure and no rule."""
    grade = flight.grade
    mine = {one.name for one in grade.measures if one.passed is False}
    mine |= {one.name for one in grade.rules if one.passed is False}
    if not mine:
        return 0
    failing = [one for one in flown if failed(one)]
    return sum(not any(one.margins.get(name, 0.0) < 0 for name in mine) for one in failing)


def _kept(original: Original, found: Found, branches: Branches) -> Path | None:
    """Flies a branch that passed once more, to keep its captures; it is the same, bit by bit."""
    still_open = found.open_moment
    if still_open is None:
        return None
    at = f"{still_open.at_s:.2f} s"
    passed = (
        one for one in branches.store.done().values() if failed(one) is False and one.given.get(ANEW_AT) == at
    )
    chosen = min(passed, key=lambda one: one.number, default=None)
    if chosen is None:
        return None
    keep = branches.store.folder / FLIGHTS
    for there in flights_in(keep) if keep.is_dir() else ():
        if there.manifest.clock.digest == chosen.digest:
            return there.folder
    (again,) = branches.executor.run([original.task(chosen.number, chosen.given, keep, "all")])
    return Path(again.folder) if again.folder else None


def write_when(when: When, page: Path, file: Path | None) -> Path:
    """Writes the page into the folder `page` and, where named, the JSON document; returns the page's file.

    Raises FolderProblem.
    """
    manifest = when.flight.manifest
    title = f"Point of no return: {manifest.scenario} on {manifest.vehicle.name}, seed {manifest.seed}"
    written = write_page(page, Told(title, when.answer, when.happened, when.given, when.again), when.found)
    if file is not None:
        atomic.write_text(file, json.dumps(_document(when), indent=1) + "\n")
    return written


def _document(when: When) -> dict[str, object]:
    certain, still_open = when.found.from_moment, when.found.open_moment
    return {
        "schema_version": 1,
        "flight": str(when.flight.folder),
        "answer": when.answer,
        "clear": when.found.clear,
        "certain_from_s": None if certain is None else certain.at_s,
        "open_at_s": None if still_open is None else still_open.at_s,
        "end_s": when.found.end_tick / 100,
        "moments": [
            {
                "at_s": one.at_s, "failed": one.happened, "flown": one.answered,
                "low": one.interval.low, "high": one.interval.high, "fitted": one.fitted,
            }
            for one in when.found.moments if one.answered
        ],
        "flown": when.flown, "failed_otherwise": when.other_reasons, "unanswered": when.unanswered,
        "happened": [asdict(one) for one in when.happened],
        "passed": None if when.passed is None else str(when.passed),
    }  # fmt: skip
