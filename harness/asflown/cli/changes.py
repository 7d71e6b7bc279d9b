"""What `asflown fly` says of changes when all is flown: against approved baselines, and between vehicles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asflown.cli.planning import Subject
from asflown.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from asflown.change.baseline_judge import AgainstBaseline
    from asflown.change.baseline_model import Baseline
    from asflown.change.matrix import Matrix
    from asflown.change.sets import FlightSet
    from asflown.grade.result import VerdictWord
    from asflown.report.flown import ScenarioOutcome


@dataclass(frozen=True, slots=True)
class Changes:
    """What was found beside the verdicts."""

    against: tuple[AgainstBaseline, ...] = ()
    matrix: Matrix | None = None

    def verdicts(self) -> list[VerdictWord]:
        """A failure for each baseline that flights differ from; a matrix informs and fails nothing."""
        return ["fail" for one in self.against if one.conclusion == "different"]

    def as_data(self) -> dict[str, Any]:
        """Entries for the JSON document: only what was asked for."""
        from asflown.report.baseline_view import against_data
        from asflown.report.matrix_view import matrix_data

        found: dict[str, Any] = {}
        if self.against:
            found["against_baseline"] = [against_data(one) for one in self.against]
        if self.matrix is not None:
            found["matrix"] = matrix_data(self.matrix)
        return found


def check_baselines(subjects: Sequence[Subject], line: str) -> None:
    """Raises UsageError, before anything flies, for a scenario and vehicle without an approved baseline."""
    for subject in subjects:
        release = line or (subject.vehicle.release or "")
        if _baseline_for(subject, release) is None:
            of = f"{subject.loaded.scenario.name} on {subject.vehicle.name}{'@' if release else ''}{release}"
            raise UsageError(
                f"there is no approved baseline of {of}",
                "Fly it, then `asflown baseline propose` and `approve`; or name another release line",
            )


def _baseline_for(subject: Subject, release: str) -> Baseline | None:
    from asflown.change.baseline_places import baseline_for

    return baseline_for(subject.loaded.folder, subject.loaded.scenario.name, subject.vehicle.name, release)


def find_changes(
    subjects: Sequence[Subject], outcomes: Sequence[ScenarioOutcome], *, matrix: bool, line: str | None
) -> Changes:
    """Compares what was flown, as far as it was asked for; `line` as the command has it."""
    if not matrix and line is None:
        return Changes()
    flown = [(subject, outcome, _set(outcome)) for subject, outcome in zip(subjects, outcomes, strict=True)]
    against = () if line is None else tuple(_against(flown, line))
    return Changes(against, _matrix(flown) if matrix else None)


_Flown = tuple[Subject, "ScenarioOutcome", "FlightSet | None"]


def _set(outcome: ScenarioOutcome) -> FlightSet | None:
    """The flights of an outcome; where some could not be held in lockstep, those of the clock that most were on."""
    from asflown.change.sets import FlownFlight, split_by_kind

    flights = [FlownFlight(Path(one.folder), one.manifest) for one in outcome.flights]
    return max(split_by_kind(f"{outcome.name} on {outcome.vehicle}", flights), key=len, default=None)


def _against(flown: Sequence[_Flown], line: str) -> list[AgainstBaseline]:
    from asflown.change.baseline_judge import judge_against

    found = []
    for subject, _, flights in flown:
        if flights is None:
            continue
        baseline = _baseline_for(subject, line or flights.kind.release)
        if baseline is not None:
            found.append(judge_against(baseline, flights))
    return found


def _matrix(flown: Sequence[_Flown]) -> Matrix:
    from asflown.change.matrix import Flown, make_matrix

    return make_matrix(
        [Flown(outcome.name, outcome.vehicle, outcome.verdict, flights) for _, outcome, flights in flown]
    )


def show_changes(changes: Changes, out: Console) -> None:
    """Prints what was asked for."""
    from asflown.report.baseline_view import show_against
    from asflown.report.matrix_view import show_matrix

    if changes.matrix is not None:
        show_matrix(changes.matrix, out)
    for one in changes.against:
        show_against(one, out)
