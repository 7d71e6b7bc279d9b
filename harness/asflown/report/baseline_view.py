"""Baselines on the terminal, 80 columns wide: what one holds, what a proposal changes, how flights stand to one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from asflown.change.baseline_diff import BaselineDiff
from asflown.change.baseline_judge import AgainstBaseline, limit_text
from asflown.change.baseline_model import Baseline, places_for
from asflown.change.findings import MeasureChange
from asflown.change.words import quantity
from asflown.report import words
from asflown.report.comparison_document import plain
from asflown.report.visible import visible

_STYLE = {"same": "green", "different": "red", "inconclusive": "yellow"}


def show_baseline(one: Baseline, approved: str, out: Console) -> None:
    """A baseline with its measures and who approved it."""
    out.print(Text(visible(one.title), style="bold"))
    out.print(Text(f"  {words.count(len(one.seeds), 'flight')} in {one.clock}; script {one.inputs.script}"))
    out.print(Text(f"  approved by: {visible(approved)}"))
    table = _table("  measure", "mean", "deviation", "allowed")
    for name, kept in sorted(one.measures.items()):
        places = places_for(kept.allowed)
        table.add_row(
            f"  {visible(name)}", f"{kept.mean:.{places}f} {kept.unit}", f"{kept.deviation:.{places}f}",
            f"{limit_text(kept.allowed)} {kept.unit}",
        )  # fmt: skip
    out.print(table)


def show_diff(found: BaselineDiff, out: Console) -> None:
    """What a proposal changes: what it demands less of comes first."""
    if found.is_empty:
        out.print("nothing changes")
        return
    for says in found.wider_says:
        out.print(Text(f"! wider: {visible(says)}", style="red"))
    for says in found.others:
        out.print(Text(f"- {visible(says)}"))
    table = _table("  measure", "before", "after", "moved by")
    for one in found.measures:
        style = "" if one.before == one.after else "yellow"
        table.add_row(
            f"  {visible(one.name)}",
            "new" if one.before is None else f"{one.before:.{one.places}f} {one.unit}",
            "gone" if one.after is None else f"{one.after:.{one.places}f} {one.unit}",
            "" if one.deviations is None else f"{one.deviations:+.1f} deviations",
            style=style,
        )
    out.print(table)


def show_against(found: AgainstBaseline, out: Console) -> None:
    """How flights stand to a baseline."""
    how = "seed by seed" if found.paired else "as independent samples"
    out.print()
    heading = Text("same" if found.conclusion == "same" else found.conclusion, style=_STYLE[found.conclusion])
    heading.append(visible(f" as the baseline of {found.baseline}: {found.statement}"), style="default")
    if found.conclusion != "same":
        heading = Text(
            "CHANGED" if found.conclusion == "different" else "UNSURE", style=_STYLE[found.conclusion]
        )
        heading.append(
            visible(f" against the baseline of {found.baseline}: {found.statement}"), style="default"
        )
    out.print(heading)
    for says in (*found.loosened, *found.inputs):
        out.print(Text(f"  - {visible(says)}"))
    out.print(f"  {words.count(found.flights, 'flight')} held against it {how}")
    out.print(_changes_table(found.measures))


def _changes_table(changes: Sequence[MeasureChange]) -> Table:
    table = _table("  measure", "baseline", "now", "change", "band", "result")
    for one in changes:
        sides = [quantity(sum(side) / len(side), one.unit) if side else "-" for side in (one.a, one.b)]
        change = "-" if one.difference is None else quantity(one.difference, one.unit, signed=True)
        band = "-" if one.band is None else quantity(one.band, one.unit)
        style = {"changed": "red", "undecided": "yellow"}.get(one.word, "")
        table.add_row(f"  {visible(one.name)}", *sides, change, band, one.word, style=style)
    return table


def _table(first: str, *others: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column(first, overflow="fold")
    for name in others:
        table.add_column(name, justify="left" if name in {"allowed", "result"} else "right", overflow="fold")
    return table


def against_data(found: AgainstBaseline) -> dict[str, Any]:
    """The same as plain data."""
    return dict(plain(asdict(found)))
