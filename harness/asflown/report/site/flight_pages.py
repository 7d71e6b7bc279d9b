"""Writes the pages of flights that are not there, or not up to date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from asflown.grade.tolerances import MeasureTolerance
from asflown.report import atomic
from asflown.report.flown import Flown
from asflown.report.site import making
from asflown.report.site.page import environment, flight_page
from asflown.report.site.story import story_of
from asflown.scenario.model import Scenario

_LEAST_FOR_PROCESSES, _CHUNK = 60, 8


@dataclass(frozen=True, slots=True)
class Order:
    """One page to be written."""

    flown: Flown
    scenario: Scenario | None
    tolerances: tuple[MeasureTolerance, ...]
    links: dict[str, str]
    path: Path


def write_flight_pages(orders: Sequence[Order], workers: int | None = None) -> int:
    """Writes the pages that are due, and returns how many were. Raises FolderProblem."""
    marked = [(order, mark_of(order)) for order in orders]
    due = [(order, mark) for order, mark in marked if not making.is_made(making.head_of(order.path), mark)]
    making.make(_write, due, workers, least=_LEAST_FOR_PROCESSES, chunk=_CHUNK)
    return len(due)


def mark_of(order: Order) -> str:
    """What a flight's page is made from: flight, grade, scenario, neighbours."""
    flown = order.flown
    parts = (flown.manifest, flown.grade, order.scenario, order.tolerances, sorted(order.links.items()))
    return making.mark_of(parts, [flown.folder])


def _write(due: tuple[Order, str]) -> None:
    order, mark = due
    story = story_of(order.flown, order.scenario)
    text = flight_page(_environment(), story, order.links, order.tolerances, mark)
    atomic.write_text(order.path, text, durable=False)


_environment = cache(environment)
