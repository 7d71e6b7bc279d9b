"""Writes the site: one page for each flight, an overview of scenarios on vehicles and releases, and what they share.

Every file replaces an older one in one step; pages of flights that are named again are written again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path

from markupsafe import Markup

from asflown.grade.result import VerdictWord
from asflown.report import atomic, words
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.site import ink
from asflown.report.site.page import environment, flight_page, overview_page
from asflown.report.site.plan_view import plan_view
from asflown.report.site.story import story_of
from asflown.scenario.model import Scenario

ASSETS = ("site.css", "site.js")
_WORST_FIRST: tuple[VerdictWord, ...] = ("fail", "error", "inconclusive", "pass")

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


@dataclass(slots=True)
class Group:
    """A scenario on a vehicle in one release."""

    scenario: str
    vehicle: str
    release: str
    verdict: VerdictWord
    statement: str
    entries: list[Entry] = field(default_factory=list)
    trend: Markup | None = None

    @property
    def worst(self) -> tuple[str, str]:
        """The smallest margin of all flights, and what has it."""
        found = [worst_margin(entry.flown) for entry in self.entries]
        known = [(margin, name) for margin, name in found if margin is not None]
        if not known:
            return "?", ""
        margin, name = min(known)
        return words.margin(margin), name


def write_site(told: Told, folder: Path, made: str) -> Path:
    """Writes the site into `folder` and returns its first page; `made` says when. Raises FolderProblem."""
    env = environment()
    for name in ASSETS:
        text = (files("asflown.report.site") / "assets" / name).read_text(encoding="utf-8")
        atomic.write_text(folder / "assets" / name, text)
    groups = _groups(told)
    scenarios = {outcome.name: scenario for outcome, scenario in told}
    for group in groups:
        for before, entry, after in _with_neighbours(group.entries):
            links = {"before": before, "after": after}
            story = story_of(entry.flown, scenarios[group.scenario])
            atomic.write_text(folder / "flights" / entry.page, flight_page(env, story, links))
        group.trend = _trend(group)
    totals: dict[str, int] = dict.fromkeys(_WORST_FIRST, 0)
    for group in groups:
        for entry in group.entries:
            totals[entry.flown.verdict] += 1
    first = folder / "index.html"
    atomic.write_text(first, overview_page(env, groups, totals, made))
    return first


def write_plans(told: Told, folder: Path) -> list[Path]:
    """Writes the plan view of each flight as a picture of its own, for pull requests. Raises FolderProblem."""
    written = []
    for outcome, scenario in told:
        for flown in outcome.flights:
            drawn = plan_view(story_of(flown, scenario))
            if drawn is not None:
                path = folder / f"{page_name(flown).removesuffix('.html')}.svg"
                atomic.write_text(path, ink.standalone(drawn[0]) + "\n")
                written.append(path)
    return written


def page_name(flown: Flown) -> str:
    """The file of a flight's page: letters, digits, dots, dashes and underscores of its folder's name."""
    safe = "".join(
        c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in flown.folder.resolve().name
    )
    return f"{safe.strip('-')[:120] or 'flight'}.html"


def worst_margin(flown: Flown) -> tuple[float | None, str]:
    """The smallest margin of a flight's measures and rules, and the name of what has it."""
    if flown.grade is None:
        return None, ""
    found = [(one.margin, one.name) for one in flown.grade.measures if one.margin is not None]
    found += [(one.robustness, one.name) for one in flown.grade.rules if one.robustness is not None]
    return min(found, default=(None, ""))


def _groups(told: Told) -> list[Group]:
    gathered: dict[tuple[str, str, str], Group] = {}
    taken: dict[str, int] = {}
    for outcome, _ in told:
        for flown in outcome.flights:
            release = flown.manifest.vehicle.release or ""
            key = outcome.name, outcome.vehicle, release
            group = gathered.setdefault(
                key, Group(outcome.name, outcome.vehicle, release, outcome.verdict, outcome.statement)
            )
            group.entries.append(Entry(flown, _unique(page_name(flown), taken)))
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
    return sorted(gathered.values(), key=lambda group: (_WORST_FIRST.index(group.verdict), group.scenario))


def _unique(name: str, taken: dict[str, int]) -> str:
    taken[name] = taken.get(name, 0) + 1
    return name if taken[name] == 1 else name.replace(".html", f"-{taken[name]}.html")


def _with_neighbours(entries: list[Entry]) -> Iterable[tuple[str, Entry, str]]:
    pages = ["", *(entry.page for entry in entries), ""]
    return zip(pages, entries, pages[2:], strict=False)


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
    drawn += [ink.circle(place(*one), 2, "mark" if one[1] >= 0 else "mark broken") for one in known[-60:]]
    title = f"worst margin of {words.count(len(known), 'flight')}, the last {words.margin(known[-1][1])}"
    return ink.picture(drawn, width, height, title, ' class="trend"')
