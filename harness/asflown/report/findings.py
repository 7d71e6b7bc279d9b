"""The facts of one flight as a flat list, so that every report states the same ones in the same order.

First the flight itself, then its checks, measures and rules. The worst finding is the flight's verdict: a
verdict that no single measure, rule or check explains is stated by the flight's own finding.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from asflown.grade.result import Check, Measured, RuleGraded, VerdictWord
from asflown.report import words
from asflown.report.flown import Flown

Kind = Literal["flight", "check", "measure", "rule"]


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
        more = (f"where: {self.where}" if self.where else "", f"when: {self.when} of flight time" if self.when else "")
        return [self.headline, *(line for line in more if line)]


def findings(flown: Flown) -> tuple[Finding, ...]:
    """Everything there is to say about a flight."""
    parts: list[Finding] = []
    if flown.grade is not None:
        measures, rules = flown.grade.measures, flown.grade.rules
        doubled = _in_both_tracks(measured.name for measured in measures)
        doubled_rules = _in_both_tracks(rule.name for rule in rules)
        parts += [_of_check(check) for check in flown.grade.checks]
        parts += [_of_measure(measured, measured.name in doubled) for measured in measures]
        parts += [_of_rule(rule, rule.name in doubled_rules) for rule in rules]
    return (_of_flight(flown, parts), *parts)


def _of_flight(flown: Flown, parts: list[Finding]) -> Finding:
    explained = flown.verdict in {part.verdict for part in parts}
    if flown.verdict == "pass" or explained:
        return Finding("flight", "flight", "pass", f"flown for {words.seconds(flown.manifest.flight_time_s)}")
    return Finding("flight", "flight", flown.verdict, flown.reason)


def _of_check(check: Check) -> Finding:
    return Finding("check", check.name, "pass" if check.passed else "fail", check.says)


def _of_measure(measured: Measured, doubled: bool) -> Finding:
    value = words.quantity(measured.value, measured.unit)
    stated = f"{measured.name} is {value}, allowed {words.limit(measured.limit, measured.unit)}"
    headline = f"{measured.says} ({stated})" if measured.says and not measured.passed else stated
    name = f"{measured.name} ({measured.source})" if doubled else measured.name
    when = words.seconds(measured.at_s)
    return Finding("measure", name, _word(measured.passed), headline, measured.leg or "", when)


def _of_rule(rule: RuleGraded, doubled: bool) -> Finding:
    stated = f"rule '{rule.name}': {rule.text}, margin {_rule_margin(rule)}"
    headline = f"{rule.says} ({stated})" if rule.says and not rule.passed else stated
    name = f"{rule.name} ({rule.source})" if doubled else rule.name
    return Finding("rule", name, _word(rule.passed), headline, "", words.seconds(rule.at_s))


def _rule_margin(rule: RuleGraded) -> str:
    if rule.margin_in_unit is None:
        return words.margin(rule.robustness)
    return words.quantity(rule.margin_in_unit, rule.unit)


def _word(passed: bool | None) -> VerdictWord:
    if passed is None:
        return "inconclusive"
    return "pass" if passed else "fail"


def _in_both_tracks(names: Iterable[str]) -> frozenset[str]:
    """Names graded on the estimate and on the truth, which must be told apart."""
    return frozenset(name for name, times in Counter(names).items() if times > 1)
