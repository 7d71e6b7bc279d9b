"""The overview's lines: a scenario on a vehicle in one release, its flights with their pages, its trend."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

from asflown.grade.result import VerdictWord
from asflown.grade.tolerances import MeasureTolerance
from asflown.report import words
from asflown.report.findings import findings
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.site import ink
from asflown.scenario.model import Scenario

WORST_FIRST: tuple[VerdictWord, ...] = ("fail", "error", "inconclusive", "pass")
_LEAST_TREND = 3
_LONGEST_HEAD, _LONGEST_STARTED = 70, 20
_MOST_MARKS = 60

Told = Sequence[tuple[ScenarioOutcome, Scenario | None]]
"""Outcomes, each with the scenario that it was graded by; None where its file is gone."""


@dataclass(slots=True)
class Entry:
    """One flight in the overview."""

    flown: Flown
    page: str

    @property
    def margin(self) -> float | None:
        """The worst of all measures and rules."""
        return worst_margin(self.flown)[0]

    @property
    def says(self) -> str:
        """Beside the link: what decided, in plain words; of a pass, what came nearest to its limit."""
        if self.flown.verdict != "pass":
            decided = (one.headline for one in findings(self.flown) if one.verdict == self.flown.verdict)
            return next(decided, self.flown.reason)
        margin, name = worst_margin(self.flown)
        return "" if margin is None else f"nearest to its limit: {name}, margin {words.margin(margin)}"


@dataclass(slots=True)
class Group:
    """A scenario on a vehicle in one release."""

    scenario: str
    vehicle: str
    release: str
    verdict: VerdictWord
    statement: str
    entries: list[Entry] = field(default_factory=list)
    tolerances: tuple[MeasureTolerance, ...] = ()

    @property
    def trend(self) -> Markup | None:
        """Worst margins over time, where there are enough flights to speak of one."""
        return _trend(self) if len(self.entries) >= _LEAST_TREND else None

    @property
    def listed(self) -> list[Entry]:
        """The flights as they are listed: those that did not pass first, the newest first among equals."""
        newest_first = self.entries[::-1]
        return sorted(newest_first, key=lambda entry: entry.flown.verdict == "pass")

    @property
    def worst(self) -> tuple[str, str]:
        """The smallest margin of all flights, and what has it."""
        found = [worst_margin(entry.flown) for entry in self.entries]
        known = [(margin, name) for margin, name in found if margin is not None]
        if not known:
            return "?", ""
        margin, name = min(known)
        return words.margin(margin), name


def page_name(flown: Flown) -> str:
    """The file of a flight's page: scenario, vehicle, release, seed and when, as far as file names take them."""
    manifest = flown.manifest
    what = [manifest.scenario, manifest.vehicle.name, manifest.vehicle.release or ""]
    head = plain_name("-".join(part for part in what if part))[:_LONGEST_HEAD]
    started = re.sub(r"[-:]", "", manifest.started_utc.replace("+00:00", "Z"))[:_LONGEST_STARTED]
    return f"{plain_name(f'{head}-seed-{manifest.seed}-{started}') or 'flight'}.html"


def plain_name(text: str) -> str:
    """Letters, digits, dashes and underscores of a text, cut to what every file system takes."""
    safe = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in text)
    return safe.strip("-")[:120]


def worst_margin(flown: Flown) -> tuple[float | None, str]:
    """The smallest margin of a flight's measures and rules, and the name of what has it."""
    if flown.grade is None:
        return None, ""
    found = [(one.margin, one.name) for one in flown.grade.measures if one.margin is not None]
    found += [(one.robustness, one.name) for one in flown.grade.rules if one.robustness is not None]
    return min(found, default=(None, ""))


def groups_of(told: Told) -> list[Group]:
    """The lines of the overview, the worst first, each with its flights in the order of time."""
    gathered: dict[tuple[str, str, str], Group] = {}
    taken: dict[str, int] = {}
    for outcome, _ in told:
        for flown in outcome.flights:
            release = flown.manifest.vehicle.release or ""
            key = outcome.name, outcome.vehicle, release
            group = gathered.setdefault(
                key,
                Group(
                    outcome.name,
                    outcome.vehicle,
                    release,
                    outcome.verdict,
                    outcome.statement,
                    tolerances=outcome.tolerances,
                ),
            )
            group.entries.append(Entry(flown, unique(page_name(flown), taken)))
        if not outcome.flights:
            gathered[outcome.name, outcome.vehicle, "-"] = Group(
                outcome.name,
                outcome.vehicle,
                "",
                outcome.verdict,
                "; ".join(outcome.failures) or outcome.statement,
            )
    for group in gathered.values():
        group.entries.sort(key=lambda entry: (entry.flown.manifest.started_utc, entry.flown.manifest.seed))
    return sorted(gathered.values(), key=lambda group: (WORST_FIRST.index(group.verdict), group.scenario))


def unique(name: str, taken: dict[str, int]) -> str:
    """A file name that was not given out before."""
    taken[name] = taken.get(name, 0) + 1
    return name if taken[name] == 1 else name.replace(".html", f"-{taken[name]}.html")


def _trend(group: Group) -> Markup | None:
    """Worst margins, the oldest flight first; below the line is failed."""
    margins = [entry.margin for entry in group.entries]
    known = [
        (number, min(max(margin, -1.0), 1.0)) for number, margin in enumerate(margins) if margin is not None
    ]
    if not known:
        return None
    width, height = 120.0, 28.0
    step = width / max(len(margins), 2)

    def place(number: int, margin: float) -> ink.Point:
        return (number + 0.5) * step, height / 2 - margin * (height / 2 - 3)

    drawn = [ink.line((0, height / 2), (width, height / 2), "zero")]
    drawn.append(ink.polyline([place(*one) for one in known], "curve"))
    drawn += [
        ink.circle(place(*one), 2, "mark" if one[1] >= 0 else "mark broken") for one in known[-_MOST_MARKS:]
    ]
    title = f"worst margin of {words.count(len(known), 'flight')}, the last {words.margin(known[-1][1])}"
    return ink.picture(drawn, width, height, title, ' class="trend"')
