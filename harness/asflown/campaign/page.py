"""The page of a campaign: how likely a flight passes, what drives failure, margins by condition, the worst flights."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from markupsafe import Markup

from asflown.campaign.findings import Findings, short_name
from asflown.campaign.flying import Outcome
from asflown.campaign.plan import number_of
from asflown.errors import AsflownError
from asflown.grade.grade import read_grade
from asflown.record.folder import read_manifest
from asflown.report import atomic, words
from asflown.report.flown import Flown
from asflown.report.site import ink
from asflown.report.site.flight_pages import Order, write_flight_pages
from asflown.report.site.page import environment
from asflown.report.site.site import write_assets
from asflown.report.visible import visible
from asflown.scenario.file import load_scenario

_WIDTH, _HEIGHT, _LEFT, _BOTTOM, _TOP = 460.0, 220.0, 46.0, 28.0, 10.0
_MOST_POINTS, _MOST_LETTERS = 2_000, 40
_ASIDE = 0.3
_NO_NEIGHBOURS = {"before": "", "after": ""}


def write_page(
    folder: Path, name: str, vehicle: str, outcomes: Sequence[Outcome], found: Findings, answer: str
) -> Path:
    """Writes `index.html` and what it needs into `folder`, and returns it. Raises FolderProblem."""
    write_assets(folder)
    flown = [one for one in outcomes if one.worst is not None]
    pictures = [(heading(key, flown), scatter(key, flown)) for key in (flown[0].given if flown else {})]
    page = environment().get_template("campaign.html.j2").render(
        root=".", title=f"Campaign of {name} on {vehicle}", found=found, pictures=pictures, answer=answer,
        worst=[(one, words.margin(one.worst)) for one in found.worst], pages=_flight_pages(folder, found.worst),
        short=short_name, kept=any(one.folder for one in found.worst),
    )  # fmt: skip
    atomic.write_text(folder / "index.html", page)
    return folder / "index.html"


def _flight_pages(folder: Path, worst: Sequence[Outcome]) -> dict[int, str]:
    """Writes a page for each of the worst flights that left its folder behind; returns them by number of flight."""
    pages: dict[int, str] = {}
    orders = []
    for one in worst:
        place = Path(one.folder)
        if not one.folder or not place.is_dir():
            continue
        try:
            manifest = read_manifest(place)
            flown = Flown(manifest, read_grade(place), place)
            scenario = load_scenario(Path(manifest.scenario_file)).scenario
        except AsflownError:
            continue  # the table names its folder all the same
        pages[one.number] = f"flight-{one.number}.html"
        orders.append(Order(flown, scenario, (), _NO_NEIGHBOURS, folder / "flights" / pages[one.number]))
    write_flight_pages(orders)
    return pages


def scatter(key: str, flown: Sequence[Outcome]) -> Markup:
    """The worst margin of each flight over one condition: a dot for a pass, a cross for a fail; words side by side."""
    kinds, x = _across(key, flown)
    y = [min(max(one.worst or 0.0, -1.0), 1.0) for one in flown]
    low, high = (-0.5, len(kinds) - 0.5) if kinds else _range(x)
    bottom, top = max(-1.05, min(-0.1, *y) - 0.05), min(1.05, max(0.1, *y) + 0.05)

    def place(value: float, margin: float) -> ink.Point:
        across = _LEFT + (value - low) / (high - low) * (_WIDTH - _LEFT - 8)
        return across, _TOP + (top - margin) / (top - bottom) * (_HEIGHT - _TOP - _BOTTOM)

    drawn = [ink.line(place(low, 0.0), place(high, 0.0), "zero")]
    drawn += [
        ink.label((_LEFT - 6, place(low, m)[1] + 4), ink.tick_text(m), "tick", "end")
        for m in ink.ticks(bottom, top, 5)
    ]
    marks = [(float(number), visible(kind)[:_MOST_LETTERS]) for number, kind in enumerate(kinds)] or [
        (value, ink.tick_text(value)) for value in ink.ticks(low, high, 7)
    ]
    drawn += [ink.label((place(value, 0)[0], _HEIGHT - 8), text, "tick", "middle") for value, text in marks]
    stride = max(1, len(flown) // _MOST_POINTS)
    for one, a, b in list(zip(flown, x, y, strict=True))[::stride]:
        drawn += _mark(one, key, place(a, b))
    return ink.picture(drawn, _WIDTH, _HEIGHT, f"worst margin over {heading(key, flown)}")


def heading(key: str, flown: Sequence[Outcome]) -> str:
    """`wind speed, m/s`."""
    unit = flown[0].given[key].partition(" ")[2] if number_of(flown[0].given[key]) is not None else ""
    return short_name(key) + (f", {unit}" if unit else "")


def _across(key: str, flown: Sequence[Outcome]) -> tuple[list[str], list[float]]:
    """Words, if the condition is one of words, and each flight's place; flights of one word stand side by side."""
    numbers = [number_of(one.given[key]) for one in flown]
    if None not in numbers:
        return [], [number or 0.0 for number in numbers]
    kinds = sorted({one.given[key] for one in flown})
    aside = np.linspace(-_ASIDE, _ASIDE, len(flown))
    return kinds, [kinds.index(one.given[key]) + float(a) for one, a in zip(flown, aside, strict=True)]


def _mark(one: Outcome, key: str, at: ink.Point) -> list[str]:
    across, down = at
    title = f"flight {one.number}: {one.given[key]}, worst margin {words.margin(one.worst)}"
    if one.verdict == "pass":
        return [ink.circle(at, 2.4, "mark", title)]
    return [
        ink.line((across - 3, down - 3), (across + 3, down + 3), "curve broken"),
        ink.line((across - 3, down + 3), (across + 3, down - 3), "curve broken"),
    ]


def _range(values: Sequence[float]) -> tuple[float, float]:
    low, high = float(np.min(values)), float(np.max(values))
    room = max(0.03 * (high - low), 1e-6)
    return low - room, high + room
