"""The facts of one flight as a flat list, so that every report states the same ones in the same order.

First the flight itself, then its checks, measures and rules. The worst finding is the flight's verdict: a
verdict that no single measure, rule or check explains is stated by the flight's own finding.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from asflown.grade.result import Check, Measured, RuleGraded, VerdictWord
from asflown.report import words
from asflown.report.flown import Flown, verdict_word

Kind = Literal["flight", "check", "measure", "rule"]
ESTIMATE_ALONE = "graded by the vehicle's own estimate alone: where it really was is not known"


@dataclass(frozen=True, slots=True)
class Finding:
    """One fact about a flight, in plain words."""

    kind: Kind
    name: str
    verdict: VerdictWord
    headline: str
    """One sentence, also for a pass: what was found, and against which limit."""
    where: str = ""
    when: str = ""

    def sentences(self) -> list[str]:
        """The headline, then where and when, as far as known."""
        lines = [self.headline]
        if self.where:
            lines.append(f"where: {self.where}")
        if self.when:
            lines.append(f"when: {self.when} of flight time")
        return lines


def findings(flown: Flown) -> tuple[Finding, ...]:
    """Everything there is to say about a flight."""
    parts: list[Finding] = []
    if flown.grade is not None:
        parts += [_of_check(check) for check in flown.grade.checks]
        parts += [_of_measure(measured, flown.label(measured)) for measured in flown.grade.measures]
        parts += [_of_rule(rule, flown.label(rule)) for rule in flown.grade.rules]
    return (_of_flight(flown, parts), *parts)


def _of_flight(flown: Flown, parts: list[Finding]) -> Finding:
    explained = flown.verdict in {part.verdict for part in parts}
    if flown.verdict == "pass" or explained:
        said = f"flown for {words.seconds(flown.manifest.flight_time_s)}"
        if not flown.truth_is_known:
            said += f"; {ESTIMATE_ALONE}"
        return Finding("flight", "flown", "pass", said)
    return Finding("flight", "flown", flown.verdict, flown.reason)


def _of_check(check: Check) -> Finding:
    says = f"guard: {check.says}" if check.name == "guard" else check.says
    return Finding("check", check.name, verdict_word(check.passed), says)


def _of_measure(measured: Measured, label: str) -> Finding:
    when = words.seconds(measured.at_s)
    headline = _measure_headline(measured)
    return Finding("measure", label, verdict_word(measured.passed), headline, measured.leg or "", when)


def _measure_headline(measured: Measured) -> str:
    allowed = words.limit(measured.limit, measured.unit)
    if measured.value is None:
        return f"{measured.name}, {allowed}: {measured.says}"
    stated = f"{measured.name} is {words.quantity(measured.value, measured.unit)}, allowed {allowed}"
    return f"{measured.says} ({stated})" if measured.says and not measured.passed else stated


def _of_rule(rule: RuleGraded, label: str) -> Finding:
    stated = f"rule '{rule.name}': {rule.text}, margin {_rule_margin(rule)}"
    headline = f"{rule.says} ({stated})" if rule.says and not rule.passed else stated
    return Finding("rule", label, verdict_word(rule.passed), headline, "", words.seconds(rule.at_s))


def _rule_margin(rule: RuleGraded) -> str:
    if rule.margin_in_unit is None:
        return words.margin(rule.robustness)
    return words.quantity(rule.margin_in_unit, rule.unit)
