"""What the terminal shows when the flights are over: what went wrong in plain words first, then every number.

Fits 80 columns. Colours only repeat what words say, so nothing is lost where there are none (NO_COLOR, a file,
a pipe). The last lines are the commands that fly again what did not pass.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TextIO

from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from asflown.grade.result import VerdictWord
from asflown.report import words
from asflown.report.findings import findings
from asflown.report.flown import Flown, ScenarioOutcome
from asflown.report.repeat import repeat_line
from asflown.report.rows import Row, rows
from asflown.report.streams import discard
from asflown.report.visible import visible

WIDTH = 80
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


def console(file: TextIO | None = None) -> Console:
    """A console as the surroundings ask for: plain and 80 columns wide where it is not a terminal."""
    made = QuietConsole(file=file, highlight=False, soft_wrap=False, emoji=False, markup=False)
    if not made.is_terminal or made.width > WIDTH:
        made.width = WIDTH
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
    out.print(_troubles(outcome))
    for flown in outcome.flights:
        out.print(_indented("", _how_it_flew(flown), "dim"))
    numbers = rows(outcome)
    if numbers:
        out.print(_table(numbers, several=len(outcome.flights) > 1))


def _heading(outcome: ScenarioOutcome) -> Text:
    text = Text(f"{outcome.verdict.upper():<6} ", style=f"bold {STYLES[outcome.verdict]}")
    text.append(visible(f"{outcome.name} on {outcome.vehicle}"), style="bold")
    if outcome.statement:
        text.append(visible(f": {outcome.statement}"), style="not bold default")
    return text


def _troubles(outcome: ScenarioOutcome) -> Group:
    """Everything that did not pass, in plain words."""
    lines: list[Table] = []
    for flown in outcome.flights:
        seed = f"seed {flown.manifest.seed}: " if len(outcome.flights) > 1 else ""
        lines += [
            _indented("- ", seed + finding.headline, STYLES[finding.verdict])
            for finding in findings(flown)
            if finding.verdict != "pass"
        ]
    lines += [_indented("- ", failure, STYLES["error"]) for failure in outcome.failures]
    return Group(*lines)


def _indented(mark: str, text: str, style: str) -> Table:
    """One paragraph behind its mark, further lines below its first; foreign text cannot steer the terminal."""
    grid = Table.grid()
    grid.add_row(f"  {mark}", Text(visible(" ".join(text.split())), style=style, overflow="fold"))
    return grid


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
    return ", ".join(parts)


def _table(numbers: Sequence[Row], *, several: bool) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column("  measure or rule", overflow="fold", max_width=30)
    table.add_column("value", justify="right", overflow="fold")
    table.add_column(
        "allowed", overflow="ellipsis", no_wrap=True
    )  # a long rule is told in full where it fails
    table.add_column("margin", justify="right")
    if several:
        table.add_column("seed", justify="right")
    for row in numbers:
        cells = [
            f"  {row.name}",
            row.value,
            visible(row.allowed),
            row.margin,
            *([row.seed] if several else []),
        ]
        table.add_row(*cells, style="" if row.verdict == "pass" else STYLES[row.verdict])
    return table


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
    again = [repeat_line(f.manifest) for o in outcomes for f in o.flights if f.verdict != "pass"]
    if again:
        out.print("fly again what did not pass:")
    for line in again:
        out.print(f"  {line}", soft_wrap=True)
