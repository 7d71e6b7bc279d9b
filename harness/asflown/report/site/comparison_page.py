"""The page of a comparison: the answer in plain words, why and where A and B part, both paths, every measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path, PurePath
from typing import Any

from jinja2 import Environment

from asflown.change import twins
from asflown.change.findings import Cause, Comparison, Confidence, MeasureChange
from asflown.change.pair_story import tell
from asflown.change.response import apart, laid, twins_apart
from asflown.change.sets import FlightSet, FlownFlight
from asflown.change.words import capital
from asflown.change.words import change as change_in_words
from asflown.change.words import quantity as brief_quantity
from asflown.record.series import Series, Source
from asflown.report import words
from asflown.report.flown import Flown
from asflown.report.site import strips
from asflown.report.site.both import Mark, Side, plan_of_both, strips_of_both
from asflown.report.site.comparing import Compared, shown_pair
from asflown.report.site.overview import plain_name
from asflown.report.site.page import bar, moments_of, places_of
from asflown.report.site.plan_view import Scale
from asflown.report.site.story import Story, story_of

ANSWERS = {"same": "the same", "different": "different", "inconclusive": "not decided"}
SURE: dict[Confidence, str] = {"certain": "certain", "strong": "beyond chance", "weak": "may be chance"}
_MOST_OTHERS = 12
_MOST_MOMENTS = 80
_MOST_TEXT, _MOST_TITLE = 2_000, 300
Pages = Mapping[Path, str]
"""The page of a flight by its folder, resolved."""


@dataclass(frozen=True, slots=True)
class MeasureRow:
    """One measure or rule of both sides."""

    name: str
    allowed: str
    values: tuple[str, str]
    margins: tuple[float | None, float | None]
    """The worst of each side's flights."""
    change: str
    word: str
    says: str


@dataclass(frozen=True, slots=True)
class FoundRow:
    """One finding, numbered as in the pictures."""

    number: int
    title: str
    says: str
    how: str


@dataclass(frozen=True, slots=True)
class Line:
    """What the overview says of a comparison; plain text throughout."""

    page: str
    conclusion: str
    answer: str
    title: str
    says: str
    changed: str
    flights: str


def comparison_page(env: Environment, compared: Compared, pages: Pages, line: Line, mark: str = "") -> str:
    """The page; `pages` leads from flights to theirs, `mark` tells what it was made from."""
    found, pair = compared.found, shown_pair(compared)
    stories = _story(pair[0]), _story(pair[1])
    source = _source(found)
    sides = [
        Side(story, _others(flights, shown, source))
        for story, flights, shown in zip(stories, (compared.a, compared.b), pair, strict=True)
    ]
    told = tell(*pair, found)
    marks = [*marks_of(compared, pair), *told.signs]
    axis = strips.Axis(0.0, max(story.end_s for story in stories))
    plan = plan_of_both(sides[0], sides[1], marks)
    return env.get_template("comparison.html.j2").render(
        root="..",
        title=line.title,
        line=asdict(line),
        mark=mark,
        found=found,
        answer=ANSWERS[found.conclusion],
        headlines=_headlines(found),
        sides=_sides(compared, pages),
        told=told,
        moments=told.moments[:_MOST_MOMENTS],
        findings=_findings(found),
        measures=[*_measures(compared), *_rules(compared)],
        several=max(len(compared.a), len(compared.b)) > 1,
        bar=bar,
        plan=None if plan is None else plan[0],
        strips=strips_of_both(*stories, axis, marks),
        story=stories[0],
        caption=_caption(compared, pair, marks),
        others=bool(sides[0].others or sides[1].others),
        data=_data(stories, axis, None if plan is None else plan[1]),
    )


def title_of(a: FlightSet, b: FlightSet) -> str:
    """`nest-boxes: palm80@r1 and palm80@r2`; of single flights `palm80@r1 seed 1`, and when, if that tells nothing."""
    scenarios = dict.fromkeys(side.kind.scenario for side in (a, b))
    names = [_short_name(side) for side in (a, b)]
    if names[0] == names[1]:
        names = [
            f"{name} of {side.flights[0].manifest.started_utc}"
            for name, side in zip(names, (a, b), strict=True)
        ]
    return f"{' and '.join(scenarios)}: {' and '.join(names)}"


def _short_name(side: FlightSet) -> str:
    """As the user named it, but for a flight's folder, whose name says what the page says, too."""
    named = [PurePath(word).name for word in side.name.split()]
    if named != [side.flights[0].folder.name]:
        return " ".join(named)
    kind = side.kind
    return f"{kind.vehicle}{'@' if kind.release else ''}{kind.release} seed {side.flights[0].manifest.seed}"


def page_name_of(a: FlightSet, b: FlightSet) -> str:
    """The file of a comparison's page."""
    scenarios = dict.fromkeys(side.kind.scenario for side in (a, b))
    names = (" ".join(PurePath(word).name for word in side.name.split()) for side in (a, b))
    return f"{plain_name(' and '.join(scenarios) + ' ' + ' and '.join(names)) or 'comparison'}.html"


def line_of(compared: Compared, page: str) -> Line:
    """What the overview says of a comparison, short: it stands at the head of the page."""
    found = compared.found
    changed = [
        f"{one.name} {_change(one)}" for one in found.measures if one.word == "changed" and one.difference
    ]
    return Line(
        page=page,
        conclusion=found.conclusion,
        answer=ANSWERS[found.conclusion],
        title=title_of(compared.a, compared.b)[:_MOST_TITLE],
        says=capital(found.statement)[:_MOST_TITLE],
        changed="; ".join(changed[:2]),
        flights=f"{found.a.flights} and {found.b.flights}",
    )


def marks_of(compared: Compared, pair: tuple[FlownFlight, FlownFlight]) -> list[Mark]:
    """What is marked in the pictures of `pair`: the first frame that differs, and where the paths part."""
    source = _source(compared.found)
    if pair not in twins.pairs(compared.a, compared.b):
        together = apart([pair[0]], [pair[1]], source)
        return [] if together is None else [("paths part", together.at_s)]
    first, parted = twins.parting(*pair), twins_apart(*pair, source)
    found = [] if first is None else [("first difference", first.at_s)]
    return found if parted is None else [*found, ("paths part", parted.at_s)]


def _headlines(found: Comparison) -> list[str]:
    """The answer, and what the first findings say, as far as they are more than noise."""
    told = [capital(found.statement)]
    told += [capital(one.says) for one in found.findings[:2] if one.cause is not Cause.NOTHING]
    changed = [one for one in found.measures if one.word == "changed" and one.difference is not None]
    told += [f"{one.name} changed by {_change(one)}" for one in changed[:3]]
    return [line[:_MOST_TEXT] for line in told]


def _findings(found: Comparison) -> list[FoundRow]:
    rows = []
    for number, one in enumerate(found.findings, 1):
        where = "" if one.at_s is None else f", from {one.at_s:.2f} s"
        where += "" if one.leg is None else f" on {one.leg}"
        how = f"{one.seen}, {SURE[one.confidence]}" + (f": {one.because}" if one.because else "")
        rows.append(FoundRow(number, capital(one.cause.value) + where, capital(one.says), how))
    return rows


def _sides(compared: Compared, pages: Pages) -> list[dict[str, Any]]:
    """Both sides with their flights, each with its page where there is one."""
    found = []
    for letter, told, flights in (("A", compared.found.a, compared.a), ("B", compared.found.b, compared.b)):
        listed = [
            {
                "seed": one.manifest.seed,
                "verdict": one.grade.verdict,
                "page": pages.get(one.folder.resolve(), ""),
                "started": one.manifest.started_utc,
            }
            for one in flights
        ]
        found.append({"letter": letter, "told": told, "flights": listed})
    return found


def _measures(compared: Compared) -> list[MeasureRow]:
    rows = []
    several = len({one.source for one in compared.found.measures}) > 1
    for one in compared.found.measures:
        limit = next(
            (m.limit for flight in compared.a if (m := flight.measured(one.name, one.source)) is not None),
            None,
        )
        rows.append(
            MeasureRow(
                f"{one.name} ({one.source})" if several else one.name,
                "" if limit is None else words.limit(limit, one.unit),
                (_mean(one.a, one.unit), _mean(one.b, one.unit)),
                (_margin(compared.a, one.name, one.source), _margin(compared.b, one.name, one.source)),
                one.says if one.difference is None else _change(one),
                one.word,
                one.says if one.difference is not None else "",
            )
        )
    return rows


def _rules(compared: Compared) -> list[MeasureRow]:
    """Rules have no value; their margins stand side by side, and nothing tests whether they changed."""
    named = {(r.name, r.source): r for side in (compared.a, compared.b) for f in side for r in f.grade.rules}
    both = len({source for _, source in named}) > 1
    rows = []
    for (name, source), rule in named.items():
        margins = tuple(
            min(
                (r.robustness for flight in side for r in flight.grade.rules
                 if (r.name, r.source) == (name, source) and r.robustness is not None),
                default=None,
            )
            for side in (compared.a, compared.b)
        )  # fmt: skip
        label = f"{name} ({source})" if both else name
        rows.append(MeasureRow(label, rule.text, ("", ""), (margins[0], margins[1]), "", "", ""))
    return rows


def _mean(values: Sequence[float], unit: str) -> str:
    return brief_quantity(sum(values) / len(values), unit) if values else "none"


def _change(one: MeasureChange) -> str:
    return change_in_words(one.difference or 0.0, one.interval, one.unit)


def _margin(side: FlightSet, name: str, source: Source) -> float | None:
    found = [one.margin for flight in side if (one := flight.measured(name, source)) is not None]
    return min((one for one in found if one is not None), default=None)


def _source(found: Comparison) -> Source:
    return found.measures[0].source if found.measures else "estimate"


def _story(flight: FlownFlight) -> Story:
    return story_of(Flown(flight.manifest, flight.grade, flight.folder), flight.scenario)


def _others(flights: FlightSet, shown: FlownFlight, source: Source) -> tuple[Series, ...]:
    """Where the other flights of a set went, as far as they can be laid on the path."""
    found = (laid(one, source) for one in flights if one is not shown)
    drawn = [one.positions for one in found if one is not None and one.positions is not None]
    return tuple(drawn[:_MOST_OTHERS])


def _caption(compared: Compared, pair: tuple[FlownFlight, FlownFlight], marks: Sequence[Mark]) -> str:
    """Which flights are shown, where there are several, and what is marked."""
    moments = [f"{text} at {at_s:.1f} s" for text, at_s in marks]
    told = f" Marked: {words.listing(moments)}." if moments else ""
    if len(compared.a) == len(compared.b) == 1:
        return told.strip()
    seeds = [one.manifest.seed for one in pair]
    which = (
        f"seed {seeds[0]} of both"
        if seeds[0] == seeds[1]
        else f"seed {seeds[0]} of A and seed {seeds[1]} of B"
    )
    return f"Shown is {which}, where margins differ most.{told}"


def _data(stories: Sequence[Story], axis: strips.Axis, scale: Scale | None) -> dict[str, Any]:
    """What the page's script needs: as on a flight's page, of both."""
    a, b = stories
    data = moments_of(axis)
    for letter, story in (("A", a), ("B", b)):
        data["curves"] += [
            {**one, "title": f"{one['title']} {letter}"}
            for one in moments_of(axis, story.curves[:4])["curves"]
        ]
    if scale is not None:
        frame = a.frame
        data["places"], data["places_b"] = (places_of(story, frame, axis, scale) for story in (a, b))
    matched = None if a.laid is None else a.laid.matched
    if matched is not None:
        data["legs"] = [
            {"begin": leg.begin_s, "end": leg.end_s, "name": leg.leg.name} for leg in matched.legs
        ]
    return data
