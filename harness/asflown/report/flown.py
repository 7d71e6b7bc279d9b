"""What every report is written from: flights with their grades, gathered by scenario and vehicle.

A flight without a grade could not be carried out. The order of flights is the order in which they were asked
for, whichever ended first, so that equal runs give equal reports.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from asflown.grade.result import Grade, Measured, RuleGraded, VerdictWord
from asflown.grade.tolerances import MeasureTolerance
from asflown.grade.verdict import JudgedFlight
from asflown.record.manifest import Manifest


@dataclass(frozen=True, slots=True)
class Flown:
    """One flight as its folder tells it, and its grade; None when there was nothing to grade."""

    manifest: Manifest
    grade: Grade | None
    folder: Path

    @property
    def name(self) -> str:
        """What was flown: `nest-boxes on palm80 r1, seed 7`."""
        manifest = self.manifest
        release = f" {manifest.vehicle.release}" if manifest.vehicle.release else ""
        return f"{manifest.scenario} on {manifest.vehicle.name}{release}, seed {manifest.seed}"

    @property
    def verdict(self) -> VerdictWord:
        """The grade's, or `error` when the flight could not be carried out."""
        return "error" if self.grade is None else self.grade.verdict

    @property
    def reason(self) -> str:
        """One sentence for a verdict other than pass."""
        if self.grade is not None:
            return self.grade.reason
        return self.manifest.problem or f"the flight ended as '{self.manifest.outcome}'"

    @property
    def judged(self) -> JudgedFlight:
        """What the verdict on several flights takes of this one."""
        manifest = self.manifest
        return JudgedFlight(self.verdict, manifest.seed, manifest.clock.kind, manifest.vehicle.release or "")

    @property
    def truth_is_known(self) -> bool:
        """Whether anybody but the vehicle itself knew where it was: only where the physics are simulated by us."""
        vehicle = self.manifest.vehicle
        return vehicle.kind == "built-in" or vehicle.facts.get("physics") == "simulated"

    def label(self, graded: Measured | RuleGraded) -> str:
        """The name of a measure or rule, with its track where both tracks were graded."""
        if self.grade is None:
            return graded.name
        sources = {measured.source for measured in self.grade.measures}
        sources |= {rule.source for rule in self.grade.rules}
        return f"{graded.name} ({graded.source})" if len(sources) > 1 else graded.name


def verdict_word(passed: bool | None) -> VerdictWord:
    """The verdict on one measure, rule or check; None does not decide."""
    if passed is None:
        return "inconclusive"
    return "pass" if passed else "fail"


@dataclass(frozen=True, slots=True)
class ScenarioOutcome:
    """All flights of one scenario on one vehicle, and what they add up to."""

    name: str
    vehicle: str
    verdict: VerdictWord
    statement: str
    """One sentence that says how the verdict follows from the flights."""
    flights: tuple[Flown, ...]
    judged_by_share: bool = False
    """A single flight that fails need not fail the scenario: `judge: {share, confidence}`."""
    not_flown: tuple[int, ...] = ()
    """Seeds of flights that were asked for and have no result (yet): a report of a killed run names them."""
    failures: tuple[str, ...] = ()
    """What kept flights from leaving any folder at all, in plain words."""
    tolerances: tuple[MeasureTolerance, ...] = ()
    """What that share of all flights keeps of each measure, where the scenario is judged by a share."""
    confidence: float | None = None
    """How sure the verdict is; None where it speaks of the flights that were flown, and no others."""
    would_decide: str = ""
    """What would decide, where the flights do not: a sentence."""
    flown_again: tuple[str, ...] = ()
    """Attempts that ended in an error and were flown again (`--retry-errors`): why, and their folders."""
