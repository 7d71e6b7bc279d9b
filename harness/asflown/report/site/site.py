"""Writes the site: a page for each flight and each comparison, an overview of all, and what they share.

Every file replaces an older one in one step. A page whose flight, scenario and neighbours are what they were is left
as it is, so that a site that grows every night is made quickly.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from importlib.resources import files
from pathlib import Path

from asflown.report import atomic
from asflown.report.site.comparing import Compared, pairs_of
from asflown.report.site.comparison_pages import Refused, write_compared, write_pairs
from asflown.report.site.flight_pages import Order, write_flight_pages
from asflown.report.site.overview import WORST_FIRST, Entry, Told, groups_of, page_name
from asflown.report.site.page import environment, overview_page
from asflown.report.site.plan_picture import plan_picture, png
from asflown.report.site.story import story_of

ASSETS = ("site.css", "site.js")
COMPARISONS = "comparisons"
ANSWER_ORDER = ("different", "inconclusive", "same")


def write_site(
    told: Told,
    folder: Path,
    made: str,
    compared: Sequence[Compared] | None = None,
    workers: int | None = None,
) -> Path:
    """Writes the site into `folder` and returns its first page; `made` says when.

    `compared` are the comparisons to show, instead of those that the flights themselves ask for; `workers` processes
    make the pages, or as many as there are cores. Raises FolderProblem.
    """
    write_assets(folder)
    groups = groups_of(told)
    scenarios = {outcome.name: scenario for outcome, scenario in told}
    orders = []
    for group in groups:
        for before, entry, after in _with_neighbours(group.entries):
            links = {"before": before, "after": after}
            path = folder / "flights" / entry.page
            orders.append(Order(entry.flown, scenarios[group.scenario], group.tolerances, links, path))
    write_flight_pages(orders, workers)
    pages = {entry.flown.folder.resolve(): entry.page for group in groups for entry in group.entries}
    place = folder / COMPARISONS
    refused: list[Refused] = []
    if compared is None:
        pairs = pairs_of([outcome for outcome, _ in told])
        lines, refused = write_pairs(pairs, place, pages, workers)
    else:
        lines = write_compared(compared, place, pages)
    lines.sort(key=lambda line: (ANSWER_ORDER.index(line.conclusion), line.title))
    totals: dict[str, int] = dict.fromkeys(WORST_FIRST, 0)
    for group in groups:
        for entry in group.entries:
            totals[entry.flown.verdict] += 1
    first = folder / "index.html"
    atomic.write_text(first, overview_page(environment(), groups, totals, made, lines, refused))
    return first


def write_assets(folder: Path) -> None:
    """Writes what all pages of a site share. Raises FolderProblem."""
    for name in ASSETS:
        text = (files("asflown.report.site") / "assets" / name).read_text(encoding="utf-8")
        atomic.write_text(folder / "assets" / name, text)


def write_plans(told: Told, folder: Path, *, as_png: bool = False) -> list[Path]:
    """Writes the plan view of each flight as a picture of its own, for pull requests.

    Raises FolderProblem, and UsageError where PNG is asked for and cannot be drawn.
    """
    written = []
    for outcome, scenario in told:
        for flown in outcome.flights:
            drawn = plan_picture(story_of(flown, scenario))
            if drawn is not None:
                path = folder / f"{page_name(flown).removesuffix('.html')}{'.png' if as_png else '.svg'}"
                if as_png:
                    atomic.write_bytes(path, png(drawn))
                else:
                    atomic.write_text(path, drawn + "\n")
                written.append(path)
    return written


def _with_neighbours(entries: list[Entry]) -> Iterable[tuple[str, Entry, str]]:
    pages = ["", *(entry.page for entry in entries), ""]
    return zip(pages, entries, pages[2:], strict=False)
