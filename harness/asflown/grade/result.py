"""The results of grading: frozen, typed, each number with its unit, limit and margin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from asflown.scenario.model import Limit

VerdictWord = Literal["pass", "fail", "inconclusive", "error"]
Source = Literal["estimate", "truth"]


@dataclass(frozen=True, slots=True)
class Measured:
    """One measure of one flight in SI `unit`; `value` is None when it is not measurable, and `says` tells why."""

    name: str
    unit: str
    value: float | None
    limit: Limit
    margin: float | None
    """Unitless: 0 at the limit, negative when violated."""
    source: Source
    leg: str | None = None
    """The leg that decides, as a person names it: `leg 4 (line to 8, 6, 3 m)`."""
    at_s: float | None = None
    """Flight time of the deciding sample."""
    says: str = ""
    """Plain words: `leg 4 (...) is 1.4 m too far right, from 22.1 s`."""

    @property
    def passed(self) -> bool | None:
        """None when the evidence does not decide."""
        return None if self.margin is None else self.margin >= 0


@dataclass(frozen=True, slots=True)
class RuleGraded:
    """One rule of one flight; robustness is normalised, `margin_in_unit` keeps the signal's unit if it has one."""

    name: str
    text: str
    robustness: float | None
    unit: str
    margin_in_unit: float | None
    source: Source
    at_s: float | None = None
    says: str = ""
    exact: bool = False
    """The robustness is exact between samples, too, and not only over the samples."""
    part: str = ""
    """Of a broken rule: the sub-formula that broke it, as it is written."""
    broken_s: tuple[float, float] | None = None
    """Of a broken rule: from when to when (flight time) that sub-formula was broken, about the worst moment."""

    @property
    def passed(self) -> bool | None:
        """Robustness 0 counts as satisfied; None when the evidence does not decide."""
        return None if self.robustness is None else self.robustness >= 0


@dataclass(frozen=True, slots=True)
class Check:
    """Something that must hold beside the measures: the script's exit code, its time limit, legs flown, no guard.

    `passed` is None when the evidence does not decide.
    """

    name: str
    passed: bool | None
    says: str


@dataclass(frozen=True, slots=True)
class Grade:
    """All measures, rules and checks of one flight, and what they add up to."""

    verdict: VerdictWord
    reason: str
    """One sentence for the verdict; empty for a pass."""
    measures: tuple[Measured, ...]
    rules: tuple[RuleGraded, ...]
    checks: tuple[Check, ...]
    legs_not_flown: tuple[str, ...]
    anchors: str
    """One sentence: which home, start point and heading the track was laid on."""
