"""The numbers of a scenario as rows of a table: for several flights the worst of each, and whose it was."""

from __future__ import annotations

from dataclasses import dataclass, replace

from asflown.grade.result import Measured, RuleGraded, VerdictWord
from asflown.report import words
from asflown.report.flown import Flown, ScenarioOutcome, verdict_word


@dataclass(frozen=True, slots=True)
class Row:
    """One measure or rule as people read it."""

    name: str
    value: str
    allowed: str
    margin: str
    seed: str
    verdict: VerdictWord
    margin_value: float | None
    """As a number."""
    tolerance: str = ""
    """What a share of all flights keeps, where the scenario is judged by a share."""
    says: str = ""
    """Why there is no number, where there is none."""


_Key = tuple[str, str, str]
"""Kind, name and track of a measure or rule."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A row of one flight, and how it compares: the lowest is the worst."""

    row: Row
    badness: tuple[int, float]


def rows(outcome: ScenarioOutcome) -> tuple[Row, ...]:
    """A row for each measure and rule, in the order of the scenario; the worst flight's number stands in it."""
    worst: dict[_Key, _Candidate] = {}
    for flown in outcome.flights:
        for key, candidate in _candidates(flown):
            if key not in worst or candidate.badness < worst[key].badness:
                worst[key] = candidate
    tolerances = tolerances_by_name(outcome)
    return tuple(
        replace(candidate.row, tolerance=tolerances.get((name, source), ""))
        if kind == "measure"
        else candidate.row
        for (kind, name, source), candidate in worst.items()
    )


def tolerances_by_name(outcome: ScenarioOutcome) -> dict[tuple[str, str], str]:
    """The tolerance limit of each measure by its name and track, in words; of several kinds of flights each one's."""
    told: dict[tuple[str, str], list[str]] = {}
    for one in outcome.tolerances:
        says = f"{one.of}: {one.says}" if one.of else one.says
        told.setdefault((one.name, one.source), []).append(says)
    return {key: "; ".join(says) for key, says in told.items()}


def _candidates(flown: Flown) -> list[tuple[_Key, _Candidate]]:
    if flown.grade is None:
        return []
    seed, grade = str(flown.manifest.seed), flown.grade
    found: list[tuple[_Key, _Candidate]] = []
    found += [(("measure", m.name, m.source), _measure(m, flown.label(m), seed)) for m in grade.measures]
    found += [(("rule", r.name, r.source), _rule(r, flown.label(r), seed)) for r in grade.rules]
    return found


def _measure(measured: Measured, label: str, seed: str) -> _Candidate:
    row = Row(
        name=label,
        value=words.quantity(measured.value, measured.unit),
        allowed=words.limit(measured.limit, measured.unit),
        margin=words.margin(measured.margin),
        seed=seed,
        verdict=verdict_word(measured.passed),
        margin_value=measured.margin,
        says=measured.says if measured.value is None else "",
    )
    return _Candidate(row, _badness(measured.margin))


def _rule(rule: RuleGraded, label: str, seed: str) -> _Candidate:
    row = Row(
        name=label,
        value=_spare(rule),
        allowed=rule.text,
        margin=words.margin(rule.robustness),
        seed=seed,
        verdict=verdict_word(rule.passed),
        margin_value=rule.robustness,
        says=rule.says if rule.robustness is None else "",
    )
    return _Candidate(row, _badness(rule.robustness))


def _spare(rule: RuleGraded) -> str:
    """`1.35 m to spare`, `0.45 m beyond`; empty for a formula of several units."""
    if rule.margin_in_unit is None:
        return ""
    where = "to spare" if rule.margin_in_unit >= 0 else "beyond"
    return f"{words.quantity(abs(rule.margin_in_unit), rule.unit)} {where}"


def _badness(margin: float | None) -> tuple[int, float]:
    """Sorts the worst first: violated, then undecided, then kept; each by its margin."""
    if margin is None:
        return (1, 0.0)
    return (0, margin) if not margin >= 0 else (2, margin)
