"""Pages from templates. What a flight, a script or a file says is escaped, and made fit for eyes, first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

import asflown
from asflown.report import words
from asflown.report.findings import Finding, findings
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.repeat import again
from asflown.report.rows import Row, rows
from asflown.report.site import strips
from asflown.report.site.plan_view import Scale, plan_view
from asflown.report.site.story import Story
from asflown.report.visible import visible

CAUTIONS = (
    "A verdict speaks of the flights shown here and of nothing else. Before a script flies a real vehicle: propellers "
    "off on the bench, a pilot ready with an override, a clear area, and local law and licensed practice decide."
)
SIGNS = {"pass": "✓", "fail": "✗", "inconclusive": "?", "error": "!"}
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
    made.globals |= {"signs": SIGNS, "cautions": CAUTIONS, "version": asflown.__version__}
    return made


def flight_page(env: Environment, story: Story, links: dict[str, str]) -> str:
    """The page of one flight; `links` are the pages around it."""
    flown = story.flown
    axis = strips.Axis(story)
    plan = plan_view(story)
    found = findings(flown)
    return env.get_template("flight.html.j2").render(
        root="..",
        title=f"{flown.manifest.scenario} on {flown.manifest.vehicle.name}",
        flown=flown,
        links=links,
        headlines=_headlines(found),
        facts=_facts(flown),
        rows=rows(alone(flown)),
        bar=_bar,
        plan=None if plan is None else plan[0],
        profile=strips.profile_view(story),
        strips=_strips(story, axis),
        rules=[Picture(rule.name, strips.rule_strip(rule, axis)) for rule in story.rules],
        story=story,
        again=again(flown),
        data=_data(story, axis, None if plan is None else plan[1]),
    )


def overview_page(env: Environment, groups: list[Any], totals: dict[str, int], made: str) -> str:
    """The overview of all scenarios, vehicles and releases."""
    return env.get_template("index.html.j2").render(
        root=".",
        title="As flown",
        scenarios=len({group.scenario for group in groups}),
        groups=groups,
        totals=totals,
        made=made,
        flights=sum(totals.values()),
    )


def _moment(utc: str) -> str:
    """`2026-11-25T17:48:45+00:00` as people read it."""
    return visible(utc).replace("T", " ").replace("+00:00", " UTC")


def _headlines(found: tuple[Finding, ...]) -> list[str]:
    """Plain words first: what decided the verdict."""
    told = [one.headline for one in found if one.verdict != "pass"]
    if told:
        return told
    return [f"everything held: {words.count(len(found) - 1, 'finding')} looked at, all within limits"]


def _facts(flown: Flown) -> list[tuple[str, str]]:
    manifest, clock = flown.manifest, flown.manifest.clock
    release = manifest.vehicle.release or "not told"
    facts = [
        ("Scenario", manifest.scenario),
        ("Vehicle", f"{manifest.vehicle.name} ({manifest.vehicle.kind}), release {release}"),
        ("Seed", str(manifest.seed)),
        ("Clock", clock.kind + (f", not deterministic: {clock.reason}" if clock.reason else "")),
        ("Flown at", _moment(manifest.started_utc)),
        ("Flight time", f"{words.seconds(manifest.flight_time_s)}, {clock.pace:.0f} times as fast as life"),
        ("Digest", f"{clock.digest[:16]} on {clock.fingerprint}" if clock.digest else "none"),
        ("Recorded in", str(flown.folder)),
    ]
    if flown.grade is not None and flown.grade.anchors:
        facts.insert(4, ("Laid on", flown.grade.anchors))
    return facts


def _bar(row: Row) -> dict[str, Any]:
    """A margin as a bar: its length in per cent of half the width, to the right when kept and to the left when not."""
    value = row.margin_value
    if value is None:
        return {"length": 0, "side": "none"}
    return {"length": round(min(abs(value), 1.0) * 50, 1), "side": "kept" if value >= 0 else "broken"}


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
    moments = np.linspace(axis.begin_s, axis.end_s, _MOMENTS)
    data: dict[str, Any] = {
        "begin": axis.begin_s, "end": axis.end_s, "left": strips.LEFT, "right": strips.WIDTH - strips.RIGHT,
        "curves": [], "places": [], "legs": [],
    }  # fmt: skip
    for curve in story.curves:
        symbol, size = strips.shown_unit(curve.unit)
        values = np.interp(moments, curve.series.time_s, curve.series.values / size, np.nan, np.nan)
        shown = [round(float(value), 3) if np.isfinite(value) else None for value in values]
        data["curves"].append({"title": curve.title, "unit": symbol, "values": shown})
    laid = story.laid
    if scale is not None and laid is not None and laid.positions is not None and len(laid.positions):
        x, y = (
            np.interp(moments, laid.positions.time_s, laid.positions.values[:, axis_]) for axis_ in (0, 1)
        )
        data["places"] = [
            [round(value, 1) for value in scale.place(float(a), float(b))] for a, b in zip(x, y, strict=True)
        ]
    if laid is not None and laid.matched is not None:
        data["legs"] = [
            {"begin": leg.begin_s, "end": leg.end_s, "name": leg.leg.name} for leg in laid.matched.legs
        ]
    return data


def alone(flown: Flown) -> ScenarioOutcome:
    """One flight as an outcome of its own."""
    manifest = flown.manifest
    return ScenarioOutcome(manifest.scenario, manifest.vehicle.name, flown.verdict, "", (flown,))
