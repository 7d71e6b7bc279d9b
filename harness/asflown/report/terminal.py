"""What the terminal shows when the flights are over: what went wrong in plain words first, then every number.

Fits 80 columns. Colours only repeat what words say, so nothing is lost where there are none (NO_COLOR, a file,
a pipe). The last lines are the commands that show once more what did not pass.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from typing import TextIO

from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

from asflown.grade.result import VerdictWord
from asflown.report import words
from asflown.report.findings import ESTIMATE_ALONE, findings
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.repeat import again
from asflown.report.rows import Row, rows
from asflown.report.streams import discard
from asflown.report.visible import visible

WIDTH = 80
GAP, NAME_WIDTH, VALUE_WIDTH, SHORTEST_LIMIT = 2, 30, 18, 10
"""Of the table, in columns."""
STYLES: dict[VerdictWord, str] = {
    "pass": "green",
    "fail": "red",
    "inconclusive": "yellow",
    "error": "magenta",
}
CAUTION = (
    "Rotors and batteries hurt people. Propellers off on the bench; in the open a pilot with an override, a clear "
    "area, and what local law and licensed practice demand."
)


class QuietConsole(Console):
    """A console whose reader may go away: what is printed from then on is lost, the run goes on."""

    def on_broken_pipe(self) -> None:
        """Prints nothing any more; the exit code still tells how the flights went."""
        self.quiet = True
        discard(self.file)


def console(file: TextIO | None = None, *, widest: int | None = WIDTH) -> Console:
    """A console as the surroundings ask for: plain and 80 columns wide where it is not a terminal.

    A terminal is used up to `widest` columns; None follows its width, even while it is being resized.
    """
    made = QuietConsole(file=file, highlight=False, soft_wrap=False, emoji=False, markup=False)
    if not made.is_terminal:
        made.width = WIDTH
    elif widest is not None and made.width > widest:
        made.width = widest
    return made


def show(outcomes: Iterable[ScenarioOutcome], out: Console) -> None:
    """Prints the results of a run: one block for each scenario, then what they add up to."""
    outcomes = tuple(outcomes)
    if any(flown.manifest.vehicle.kind in {"bench", "airframe"} for o in outcomes for flown in o.flights):
        out.print(Text(CAUTION, style="bold"))
    for outcome in outcomes:
        out.print()
        _show_outcome(outcome, out)
    out.print()
    _show_summary(outcomes, out)


def _show_outcome(outcome: ScenarioOutcome, out: Console) -> None:
    out.print(_heading(outcome))
    for verdict, trouble in _troubles(outcome):
        print_indented(out, "- ", trouble, STYLES[verdict])
    for flown in outcome.flights:
        print_indented(out, "", _how_it_flew(flown), "dim")
        for event in flown.manifest.safety_events:
            print_indented(out, "! ", f"{event.at_s:.1f} s {event.what} ({event.cause})", "bold")
    numbers = rows(outcome)
    if numbers:
        out.print(_table(numbers, several=len(outcome.flights) > 1))
    for line in _tolerances(outcome):
        print_indented(out, "", line, "dim")


def _tolerances(outcome: ScenarioOutcome) -> Iterator[str]:
    """What a share of all flights keeps of each measure; measures without a limit by their common reason."""
    without: dict[str, list[str]] = {}
    for tolerance in outcome.tolerances:
        name = f"{tolerance.name} ({tolerance.of})" if tolerance.of else tolerance.name
        if tolerance.limits is None:
            without.setdefault(tolerance.says, []).append(name)
        else:
            yield f"{name}: {tolerance.says}"
    for reason, names in without.items():
        yield f"{words.listing(names)}: {reason}"


def _heading(outcome: ScenarioOutcome) -> Text:
    text = Text(f"{outcome.verdict.upper():<6} ", style=f"bold {STYLES[outcome.verdict]}")
    text.append(visible(f"{outcome.name} on {outcome.vehicle}"), style="bold")
    if outcome.statement:
        text.append(visible(f": {outcome.statement}"), style="not bold default")
    return text


def _troubles(outcome: ScenarioOutcome) -> Iterator[tuple[VerdictWord, str]]:
    """What did not pass, in plain words: all of the first such flight, of each further one the first thing."""
    told_in_full = False
    for flown in outcome.flights:
        found = sorted(
            (finding for finding in findings(flown) if finding.verdict != "pass"),
            key=lambda finding: finding.verdict == "inconclusive",  # last: what failed decides
        )
        seed = f"seed {flown.manifest.seed}: " if len(outcome.flights) > 1 else ""
        for finding in found[:1] if told_in_full else found:
            more = f" (and {len(found) - 1} more)" if told_in_full and len(found) > 1 else ""
            yield finding.verdict, f"{seed}{finding.headline}{more}"
        told_in_full = told_in_full or bool(found)
    for failure in outcome.failures:
        yield "error", failure


def print_indented(out: Console, mark: str, text: str, style: str) -> None:
    """One paragraph behind its mark, further lines below its first; foreign text cannot steer the terminal."""
    paragraph = Text(visible(" ".join(text.split())), style=style)
    indent = f"  {mark}"
    for line in paragraph.wrap(out, out.width - len(indent), overflow="fold"):
        line.rstrip()
        out.print(Text(indent) + line)
        indent = " " * len(indent)


def _how_it_flew(flown: Flown) -> str:
    """`seed 7: 52.4 s of flight in 0.8 s (65x), lockstep, digest 3f9ab2c4d5e6`."""
    manifest, clock = flown.manifest, flown.manifest.clock
    parts = [
        f"seed {manifest.seed}: {manifest.flight_time_s:.1f} s of flight in {manifest.wall_time_s:.1f} s"
    ]
    if clock.pace is not None:
        parts[0] += f" ({clock.pace:.0f}x)"
    parts.append(clock.kind)
    if clock.deterministic:
        parts.append(f"digest {(clock.digest or 'none')[:12]}")
    else:
        parts.append(f"not deterministic{': ' + clock.reason if clock.reason else ''}")
    if not flown.truth_is_known and flown.verdict != "error":
        parts.append(ESTIMATE_ALONE)
    if flown.verdict != "pass":
        parts.append(f"recorded in {flown.folder}")
    return ", ".join(parts)


def _table(numbers: Sequence[Row], *, several: bool) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, GAP, 0, 0), show_edge=False, header_style="dim")
    table.add_column("  measure or rule", overflow="fold", max_width=NAME_WIDTH)
    table.add_column("value", justify="right", overflow="fold", max_width=VALUE_WIDTH)
    table.add_column("allowed", overflow="fold")
    table.add_column("margin", justify="right", no_wrap=True)
    if several:
        table.add_column("seed", justify="right", no_wrap=True)
    room = _room_for_limits(numbers, several=several)
    for row in numbers:
        allowed = Text(visible(row.allowed))
        allowed.truncate(room, overflow="ellipsis")  # a long rule is told in full where it fails
        seed = [row.seed] if several else []
        style = "" if row.verdict == "pass" else STYLES[row.verdict]
        table.add_row(f"  {row.name}", row.value, allowed, row.margin, *seed, style=style)
    return table


def _room_for_limits(numbers: Sequence[Row], *, several: bool) -> int:
    """Columns left for a limit when all other cells of its line are as wide as they want to be."""
    names = min(NAME_WIDTH, max(len("  measure or rule"), *(2 + cell_len(row.name) for row in numbers)))
    values = min(VALUE_WIDTH, max(len("value"), *(cell_len(row.value) for row in numbers)))
    margins = max(len("margin"), *(len(row.margin) for row in numbers))
    seeds = max(len("seed"), *(len(row.seed) for row in numbers)) + GAP if several else 0
    return max(SHORTEST_LIMIT, WIDTH - names - values - margins - seeds - 3 * GAP)


def _show_summary(outcomes: Sequence[ScenarioOutcome], out: Console) -> None:
    counted = ", ".join(
        f"{number} {word}"
        for word in STYLES
        if (number := sum(outcome.verdict == word for outcome in outcomes))
    )
    flights = sum(len(outcome.flights) for outcome in outcomes)
    out.print(
        f"{words.count(len(outcomes), 'scenario')}, {words.count(flights, 'flight')}: {counted or 'nothing flown'}"
    )
    _point_to_stories(outcomes, out)
    lines = [again(flown) for outcome in outcomes for flown in outcome.flights if flown.verdict != "pass"]
    if lines:
        out.print("once more what did not pass:")
    for line in lines:
        out.print(f"  {line}", soft_wrap=True)


def _point_to_stories(outcomes: Sequence[ScenarioOutcome], out: Console) -> None:
    """The command that tells the story of a flight: of the first of each scenario that did not pass."""
    first = [
        next((flown for flown in outcome.flights if flown.verdict != "pass" and flown.folder.is_dir()), None)
        for outcome in outcomes
    ]
    lines = [shlex.join(["asflown", "explain", str(flown.folder)]) for flown in first if flown is not None]
    if lines:
        out.print("what happened, step by step:")
    for line in lines:
        out.print(f"  {line}", soft_wrap=True)
