"""Finds the smallest disturbance of a flight that the tolerances of its scenario catch.

The size is looked for on a grid whose steps grow by GRID_STEP, all of which is graded: so it is seen, too, whether
a larger disturbance would pass again. Between the last size that passes and the first that is caught, halving follows,
until they lie no farther apart than a hundredth of the size. Caught means that the verdict is `fail`; one that is
inconclusive has not caught anything.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from asflown.errors import FolderProblem
from asflown.grade.disturb import KINDS, Disturber, Kind
from asflown.grade.evidence import evidence, frame_of
from asflown.grade.grade import Tracks, grade_tracks, sources_of
from asflown.grade.result import Grade, Source
from asflown.record.series import Track
from asflown.scenario.model import Scenario
from asflown.scenario.path import resolve_path

GRID_STEP = 1.6
SMALLEST = 0.01
"""Of a metre, a second, or the speed: less is not looked for."""
CLOSE_ENOUGH = 0.01

Outcome = Literal["caught", "not-caught", "makes-no-sense"]


@dataclass(frozen=True, slots=True)
class Found:
    """One kind of disturbance in one direction, and the smallest size that is caught."""

    kind: Kind
    says: str
    """What the vehicle does then: `flies right of every leg`."""
    unit: str
    outcome: Outcome
    size: float | None
    """In the SI unit of the kind, positive; None when nothing up to `looked_up_to` is caught."""
    passes: float | None
    """The largest size that was seen to pass below it."""
    caught_by: tuple[str, ...]
    """Measures, rules and checks that fail at `size`."""
    passes_again: tuple[float, ...]
    """Larger sizes on the grid that pass: empty where the verdict is monotone."""
    looked_up_to: float
    reason: str = ""
    """Why it makes no sense, or what came of the largest size."""


def sensitivity(
    tracks: Tracks, scenario: Scenario, kinds: Collection[Kind] = tuple(KINDS)
) -> tuple[Found, ...]:
    """What the scenario's tolerances catch, for each of the `kinds` of disturbance and each direction.

    The flight itself must pass. Raises FolderProblem when it does not, or when no track can be had.
    """
    own = tracks[sources_of(scenario.expect)[0]]
    if isinstance(own, FolderProblem):
        raise own
    undisturbed = grade_tracks(tracks, scenario)
    if undisturbed.verdict != "pass":
        raise FolderProblem(
            f"the flight does not pass undisturbed ({undisturbed.reason})", "Take one that passes"
        )
    search = _Search(tracks, scenario)
    return tuple(search.found(kind, sign) for kind, sign in _directions(kinds))


def _directions(kinds: Collection[Kind]) -> Iterator[tuple[Kind, int]]:
    for kind in kinds:
        yield kind, 1
        if KINDS[kind].lowest:
            yield kind, -1


class _Search:
    """Disturbs the tracks of one flight together, and grades them."""

    def __init__(self, tracks: Tracks, scenario: Scenario) -> None:
        expect = scenario.expect
        path = () if expect.path is None else resolve_path(expect.path, scenario.start.home)
        self._tracks, self._scenario = tracks, scenario
        self._own: Source = sources_of(expect)[0]
        self._disturbers: Mapping[Source, Disturber] = {
            source: Disturber(evidence(track, frame_of(expect), path, expect.measures))
            for source, track in tracks.items()
            if isinstance(track, Track)
        }

    def found(self, kind: Kind, sign: int) -> Found:
        about = KINDS[kind]
        says = about.grows if sign > 0 else about.shrinks
        most = about.largest if sign > 0 else -about.lowest
        reason = self._disturbers[self._own].cannot(kind)
        unit = about.dimension.si_symbol
        if reason:
            return Found(kind, says, unit, "makes-no-sense", None, None, (), (), most, reason)
        grid = [*np.geomspace(SMALLEST, most, 1 + int(np.ceil(np.log(most / SMALLEST) / np.log(GRID_STEP))))]
        grades = [self._grade(kind, sign, float(size)) for size in grid]
        caught = [number for number, grade in enumerate(grades) if grade.verdict == "fail"]
        if not caught:
            last = grades[-1]
            came_of_it = "" if last.verdict == "pass" else f"the verdict is {last.verdict}: {last.reason}"
            return Found(kind, says, unit, "not-caught", None, most, (), (), most, came_of_it)
        first = caught[0]
        again = tuple(float(grid[n]) for n in range(first, len(grid)) if grades[n].verdict != "fail")
        low, high, grade = (float(grid[first - 1]) if first else 0.0), float(grid[first]), grades[first]
        low, high, grade = self._halved(kind, sign, low, high, grade)
        return Found(kind, says, unit, "caught", high, low, failed(grade), again, most)

    def _halved(
        self, kind: Kind, sign: int, low: float, high: float, grade: Grade
    ) -> tuple[float, float, Grade]:
        """The bounds halved until they are close enough, and the grade at the upper one."""
        while high - low > CLOSE_ENOUGH * high:
            middle = (low + high) / 2
            here = self._grade(kind, sign, middle)
            if here.verdict == "fail":
                high, grade = middle, here
            else:
                low = middle
        return low, high, grade

    def _grade(self, kind: Kind, sign: int, size: float) -> Grade:
        disturbed = {
            source: self._disturbers[source].disturbed(kind, sign * size)
            if isinstance(track, Track)
            else track
            for source, track in self._tracks.items()
        }
        return grade_tracks(disturbed, self._scenario)


def failed(grade: Grade) -> tuple[str, ...]:
    """The names of all that failed: checks, measures, rules, in the order of the grade."""
    names = [one.name for one in grade.checks if not one.passed]
    names += [one.name for one in grade.measures if one.passed is False]
    names += [f"rule {one.name}" for one in grade.rules if one.passed is False]
    return tuple(dict.fromkeys(names))
