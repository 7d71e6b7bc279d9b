"""The firmware matrix on the terminal, 80 columns wide, and as data."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from asflown.change.findings import MeasureChange
from asflown.change.matrix import Cell, Matrix
from asflown.change.words import quantity
from asflown.report.comparison_document import document
from asflown.report.visible import visible

_WORDS = {"same": "same", "different": "changed", "inconclusive": "unsure"}
_VERDICTS = {"pass": "green", "fail": "red", "inconclusive": "yellow", "error": "magenta"}
_SHOWN = 2


def show_matrix(matrix: Matrix, out: Console) -> None:
    """A row for each scenario, a column for each vehicle; changes are against the first."""
    if not matrix.vehicles:
        out.print("no flights")
        return
    out.print()
    out.print(Text(visible(f"changes against {matrix.vehicles[0]}"), style="bold"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column("scenario", overflow="fold")
    for name in matrix.vehicles:
        table.add_column(visible(name), overflow="fold")
    for scenario in matrix.scenarios:
        cells = [matrix.at(scenario, vehicle) for vehicle in matrix.vehicles]
        table.add_row(visible(scenario), *("" if one is None else _cell(one) for one in cells))
    out.print(table)


def _cell(one: Cell) -> Text:
    text = Text(f"{one.verdict} {one.passed}/{one.flights}", style=_VERDICTS[one.verdict])
    if one.change is None:
        return text
    text.append(f", {_WORDS[one.change.conclusion]}", style="default")
    for moved in _largest(one.change.measures)[:_SHOWN]:
        if moved.difference is not None:
            size = quantity(moved.difference, moved.unit, signed=True)
            text.append(f"\n{visible(moved.name)} {size}", style="dim")
    return text


def _largest(changes: tuple[MeasureChange, ...]) -> list[MeasureChange]:
    """The measures that changed beyond their band, the largest against its band first."""
    moved = [one for one in changes if one.word == "changed" and one.difference is not None]
    return sorted(moved, key=lambda one: -abs(one.difference or 0.0) / (one.band or 1.0))


def matrix_data(matrix: Matrix) -> list[dict[str, Any]]:
    """Each cell as plain data."""
    return [
        {
            "scenario": one.scenario,
            "vehicle": one.vehicle,
            "verdict": one.verdict,
            "passed": one.passed,
            "flights": one.flights,
            "against": None if one.change is None else matrix.vehicles[0],
            "change": None if one.change is None else document(one.change),
        }
        for one in matrix.cells
    ]
