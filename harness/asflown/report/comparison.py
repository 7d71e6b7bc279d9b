"""What the terminal shows of a comparison: the answer first, then findings in order of cause, then every measure.

Fits 80 columns. Nothing is decided here; colours only repeat what words say.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from asflown.change.findings import (
    Comparison,
    Conclusion,
    Confidence,
    Finding,
    MeasureChange,
    SideOfComparison,
)
from asflown.change.plan import MeasurePlan
from asflown.change.sets import FlightSet
from asflown.change.stand_in import Answer, StandIn
from asflown.change.words import capital, change, count, quantity, sizes
from asflown.report.terminal import print_indented
from asflown.report.visible import visible

STYLES: dict[Conclusion, str] = {"same": "green", "different": "red", "inconclusive": "yellow"}
_SURE: dict[Confidence, str] = {
    "certain": "certain",
    "strong": "beyond chance",
    "weak": "may be chance",
}
_COLOUR_OF: dict[Answer, Conclusion] = {
    "may stand in": "same",
    "may not stand in": "different",
    "not shown": "inconclusive",
}
MOST_SEEDS = 6


def show(found: Comparison, out: Console) -> None:
    """Prints a comparison."""
    word = Text(f"{found.conclusion.upper()}  ", style=f"bold {STYLES[found.conclusion]}")
    word.append(visible(capital(found.statement)), style="not bold default")
    for wrapped in word.wrap(out, out.width):
        wrapped.rstrip()
        out.print(wrapped)
    for name, side in (("A", found.a), ("B", found.b)):
        print_indented(out, f"{name}  ", _side(side), "dim")
    print_indented(out, "", f"compared {found.method}", "dim")
    out.print()
    for number, finding in enumerate(found.findings, 1):
        _show_finding(number, finding, out)
    if found.measures:
        out.print()
        out.print(_table(found.measures))
        for line in _below(found.measures):
            print_indented(out, "", line, "dim")
    for note in found.notes:
        print_indented(out, "note: ", note, "dim")


def show_stand_in(found: StandIn, out: Console) -> None:
    """Prints whether a simulation may stand in for a vehicle, and the comparison behind that."""
    word = Text(found.answer.upper(), style=f"bold {STYLES[_COLOUR_OF[found.answer]]}")
    out.print(word)
    print_indented(out, "", capital(found.statement), "bold")
    print_indented(out, "", f"graded: A {found.verdicts[0]}; B {found.verdicts[1]}", "")
    for one in found.explanations:
        print_indented(out, f"{one.condition}: ", capital(one.says), "")
        print_indented(out, "   try ", one.try_this, "")
        print_indented(out, "   but ", one.caution, "dim")
    for caution in found.cautions:
        print_indented(out, "caution: ", caution, "dim")
    out.print()
    show(found.comparison, out)


def show_plan(plans: Sequence[MeasurePlan], flights: FlightSet, out: Console) -> None:
    """Prints what a comparison with such flights could show."""
    print_indented(
        out, "", f"from {count(len(flights), 'flight')} of {flights.kind}, for 5, 10, 20 flights a side:", ""
    )
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column("  measure", overflow="fold", max_width=26)
    for name in ("spread", "band", "power", "needed", "smallest found"):
        table.add_column(name, no_wrap=True)
    for one in plans:
        power = " ".join(f"{part:.2f}" for part in one.power) or "-"
        band = "-" if one.band is None else quantity(one.band, one.unit)
        needed = "-" if one.flights is None else str(one.flights)
        cells = (
            f"  {one.name}",
            quantity(one.spread, one.unit),
            band,
            power,
            needed,
            sizes(one.smallest, one.unit),
        )
        table.add_row(*(Text(visible(cell)) for cell in cells))
    out.print(table)
    print_indented(out, "", "power: chance to show equivalence within the band, had nothing changed", "dim")
    print_indented(out, "", "needed: flights a side that show it four times in five", "dim")
    print_indented(out, "", "smallest found: the smallest change that is found four times in five", "dim")


def _side(side: SideOfComparison) -> str:
    seeds = ", ".join(map(str, side.seeds[:MOST_SEEDS]))
    more = ", ..." if len(side.seeds) > MOST_SEEDS else ""
    seed = "seed" if len(side.seeds) == 1 else "seeds"
    return f"{side.name}: {count(side.flights, 'flight')} of {side.kind}, {seed} {seeds}{more}; {side.graded}"


def _show_finding(number: int, finding: Finding, out: Console) -> None:
    where = "" if finding.at_s is None else f", from {finding.at_s:.2f} s"
    where += "" if finding.leg is None else f" on {finding.leg}"
    title = f"{capital(finding.cause.value)}{where}"
    print_indented(out, f"{number}. ", title, "bold")
    print_indented(out, "   ", capital(finding.says), "")
    sure = f"{finding.seen}, {_SURE[finding.confidence]}"
    print_indented(out, "   ", f"[{sure}] {finding.because}".rstrip(), "dim")


def _table(measures: Sequence[MeasureChange]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column("  measure", overflow="fold", max_width=26)
    for name in ("A", "B"):
        table.add_column(name, justify="right", overflow="fold", max_width=10)
    table.add_column("change (interval)", overflow="fold", max_width=28)
    table.add_column("", overflow="fold", max_width=14)
    several = len({one.source for one in measures}) > 1
    for one in measures:
        name = f"{one.name} ({one.source})" if several else one.name
        style = {"changed": "red", "undecided": "yellow"}.get(one.word, "")
        cells = (f"  {name}", _mean(one.a, one.unit), _mean(one.b, one.unit), _change(one), one.word)
        table.add_row(*(Text(visible(cell)) for cell in cells), style=style)
    return table


def _mean(values: Sequence[float], unit: str) -> str:
    return quantity(sum(values) / len(values), unit) if values else "none"


def _change(one: MeasureChange) -> str:
    if one.difference is None:
        return one.says
    return change(one.difference, one.interval, one.unit)


def _below(measures: Sequence[MeasureChange]) -> Iterator[str]:
    """The bands, what could have been found, and how many flights would decide."""
    bands = [f"{one.name} {quantity(one.band, one.unit)}" for one in measures if one.band is not None]
    if bands:
        yield f"counts as no change, either way: {', '.join(bands)}"
    found = [f"{one.name} {quantity(one.smallest_found, one.unit)}" for one in measures if one.smallest_found]
    if found:
        yield f"smallest change found four times in five: {', '.join(found)}"
    power = [
        f"{one.name} {one.power:.2f}" for one in measures if one.power is not None and one.word != "same"
    ]
    if power:
        yield f"power (chance to show equivalence, had nothing changed): {', '.join(power)}"
    reasons: dict[str, list[str]] = {}
    for one in measures:
        if one.word == "undecided" and one.says:
            reasons.setdefault(one.says, []).append(one.name)
    yield from (f"{', '.join(names)}: {says}" for says, names in reasons.items())
