"""Pages from templates. What a flight, a script or a file says is escaped, and made fit for eyes, first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

import asflown
from asflown.grade.tolerances import MeasureTolerance
from asflown.record.series import PathFrame
from asflown.report import words
from asflown.report.findings import Finding, findings
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.repeat import again
from asflown.report.rows import rows
from asflown.report.site import strips
from asflown.report.site.plan_view import Scale, plan_view
from asflown.report.site.story import Curve, Story, positions
from asflown.report.visible import visible

CAUTIONS = (
    "A verdict speaks of the flights shown here and of nothing else. Before a script flies a real vehicle: propellers "
    "off on the bench, a pilot ready with an override, a clear area, and local law and licensed practice decide."
)
ANSWER_SIGNS = {"same": "=", "different": "≠", "inconclusive": "?"}
"""Of comparisons."""
_MOMENTS = 500


@dataclass(frozen=True, slots=True)
class Picture:
    """A strip with its heading."""

    title: str
    svg: Markup


def environment() -> Environment:
    """With automatic escaping, and what is not there is an error."""
    made = Environment(
        loader=PackageLoader("asflown.report.site", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"visible": visible, "seconds": words.seconds, "margin": words.margin, "moment": _moment}
    made.globals |= {
        "signs": words.SIGNS,
        "answer_signs": ANSWER_SIGNS,
        "cautions": CAUTIONS,
        "version": asflown.__version__,
    }
    return made


def flight_page(
    env: Environment,
    story: Story,
    links: dict[str, str],
    tolerances: tuple[MeasureTolerance, ...] = (),
    mark: str = "",
) -> str:
    """The page of one flight; `links` are the pages around it, `mark` what it was made from."""
    flown = story.flown
    axis = strips.Axis(story.begin_s, story.end_s)
    plan = plan_view(story)
    found = findings(flown)
    return env.get_template("flight.html.j2").render(
        root="..",
        title=f"{flown.name}: {flown.verdict}",
        flown=flown,
        links=links,
        headlines=headlines(found),
        facts=_facts(flown),
        rows=rows(replace(alone(flown), tolerances=tolerances)),
        mark=mark,
        margin_in_words=words.MARGIN,
        bar=bar,
        plan=None if plan is None else plan[0],
        profile=strips.profile_view(story),
        strips=_strips(story, axis),
        rules=[Picture(rule.name, strips.rule_strip(rule, axis)) for rule in story.rules],
        story=story,
        again=again(flown),
        data=_data(story, axis, None if plan is None else plan[1]),
    )


def overview_page(
    env: Environment,
    groups: Sequence[Any],
    totals: dict[str, int],
    made: str,
    comparisons: Sequence[Any] = (),
    refused: Sequence[Any] = (),
) -> str:
    """The overview of all scenarios, vehicles and releases."""
    told = words.listing([f"{number} {word}" for word, number in totals.items() if number])
    return env.get_template("index.html.j2").render(
        root=".",
        title=f"As flown: {told or 'no flights'}",
        margin_in_words=words.MARGIN,
        scenarios=len({group.scenario for group in groups}),
        groups=groups,
        totals=totals,
        comparisons=comparisons,
        refused=refused,
        made=made,
        flights=sum(totals.values()),
    )


def _moment(utc: str) -> str:
    """`2026-11-25T17:48:45+00:00` as people read it."""
    return visible(utc).replace("T", " ").replace("+00:00", " UTC")


def headlines(found: tuple[Finding, ...]) -> list[str]:
    """Plain words first: what decided the verdict; beside a failure, what could not be measured is only named."""
    told = [one for one in found if one.verdict != "pass"]
    if not told:
        kinds = [(kind, sum(one.kind == kind for one in found)) for kind in ("check", "measure", "rule")]
        told_of = words.listing([words.count(number, kind) for kind, number in kinds if number])
        return [f"everything held: {told_of}" if told_of else "everything held"]
    graver = [one.headline for one in told if one.verdict != "inconclusive"]
    undecided = [one for one in told if one.verdict == "inconclusive"]
    if not graver or len(undecided) < 2:
        return graver + [one.headline for one in undecided]
    return [*graver, f"not decided: {words.listing([one.name for one in undecided])}; the table says why"]


def _facts(flown: Flown) -> list[tuple[str, str]]:
    manifest, clock = flown.manifest, flown.manifest.clock
    release = manifest.vehicle.release or "not told"
    pace = "" if clock.pace is None else f", flown at {clock.pace:.2g} times the speed of wall time"
    facts = [
        ("Scenario", manifest.scenario),
        ("Vehicle", f"{manifest.vehicle.name} ({manifest.vehicle.kind}), release {release}"),
        ("Seed", str(manifest.seed)),
        ("Clock", clock.kind + (f", not deterministic: {clock.reason}" if clock.reason else "")),
        ("Flown at", _moment(manifest.started_utc)),
        ("Flight time", words.seconds(manifest.flight_time_s) + pace),
        (
            "Digest",
            f"{clock.digest[:16]} on a machine with fingerprint {clock.fingerprint}"
            if clock.digest
            else "none",
        ),
        ("Recorded in", str(flown.folder)),
    ]
    if flown.grade is not None and flown.grade.anchors:
        facts.insert(4, ("Laid on", flown.grade.anchors))
    return facts


def bar(margin: float | None) -> dict[str, Any]:
    """A margin as a bar: its length in per cent of half the width, to the right when kept and to the left when not."""
    if margin is None:
        return {"length": 0, "side": "none"}
    return {"length": round(min(abs(margin), 1.0) * 50, 1), "side": "kept" if margin >= 0 else "broken"}


def _strips(story: Story, axis: strips.Axis) -> list[Picture]:
    pictures = []
    legs = strips.leg_strip(story, axis)
    if legs:
        pictures.append(Picture("Legs", legs))
    pictures += [Picture(curve.title, strips.curve_strip(curve, axis)) for curve in story.curves]
    if story.events:
        pictures.append(Picture("Events", strips.event_strip(story.events, axis)))
    return pictures


def _data(story: Story, axis: strips.Axis, scale: Scale | None) -> dict[str, Any]:
    """What the page's script needs: the moments of the axis, places in the plan, and values to read out."""
    data = moments_of(axis, story.curves)
    if scale is not None:
        data["places"] = places_of(story, story.frame, axis, scale)
    if story.laid is not None and story.laid.matched is not None:
        data["legs"] = [
            {"begin": leg.begin_s, "end": leg.end_s, "name": leg.leg.name} for leg in story.laid.matched.legs
        ]
    return data


def moments_of(axis: strips.Axis, curves: Sequence[Curve] = ()) -> dict[str, Any]:
    """The axis, and the values of curves at its moments."""
    data: dict[str, Any] = {
        "begin": axis.begin_s, "end": axis.end_s, "left": strips.LEFT, "right": strips.WIDTH - strips.RIGHT,
        "curves": [], "places": [], "legs": [],
    }  # fmt: skip
    moments = np.linspace(axis.begin_s, axis.end_s, _MOMENTS)
    for curve in curves:
        symbol, size = strips.shown_unit(curve.unit)
        values = np.interp(moments, curve.series.time_s, curve.series.values / size, np.nan, np.nan)
        shown = [value if value == value else None for value in values.round(3).tolist()]  # noqa: PLR0124
        data["curves"].append({"title": curve.title, "unit": symbol, "values": shown})
    return data


def places_of(story: Story, frame: PathFrame, axis: strips.Axis, scale: Scale) -> list[list[float]]:
    """Where in the plan the vehicle was at each moment of the axis; nowhere when that is not known."""
    found = positions(story, frame)
    if found is None:
        return []
    moments = np.linspace(axis.begin_s, axis.end_s, _MOMENTS)
    x, y = (np.interp(moments, found.time_s, found.values[:, column]) for column in (0, 1))
    return [[round(value, 1) for value in scale.place(float(a), float(b))] for a, b in zip(x, y, strict=True)]


def alone(flown: Flown) -> ScenarioOutcome:
    """One flight as an outcome of its own."""
    manifest = flown.manifest
    return ScenarioOutcome(manifest.scenario, manifest.vehicle.name, flown.verdict, "", (flown,))
