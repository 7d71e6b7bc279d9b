"""What `asflown history` shows: tables of 80 columns for people, and the same facts as plain data for JSON."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from asflown.change.history_prune import PrunePlan, Removal
from asflown.change.history_query import Flaky, KindSummary
from asflown.change.history_trend import ShiftFound, Trend
from asflown.change.sets import Kind
from asflown.report import words
from asflown.report.visible import visible

_BARS = "▁▂▃▄▅▆▇█"
_SPARK_WIDTH = 16
_SHOWN_REMOVALS = 20


@dataclass(frozen=True, slots=True)
class View:
    """Something to show: how to print it, and its data."""

    print_on: Callable[[Console], None]
    data: dict[str, Any]


def kinds_view(summaries: Sequence[KindSummary]) -> View:
    """A line for each kind of flight."""

    def show(out: Console) -> None:
        if not summaries:
            out.print("no flights yet")
            return
        table = _table(
            "flown", ("flights", "right"), ("passed", "right"), ("last", "left"), ("size", "right")
        )
        for one in summaries:
            last = f"{one.last_utc[:10]} {one.last_verdict}"
            table.add_row(_name(one.kind), str(one.flights), _share(one), last, size(one.bytes))
        out.print(table)
        total = sum(one.flights for one in summaries)
        out.print(f"{words.count(total, 'flight')}, {size(sum(one.bytes for one in summaries))}")

    return View(show, {"kinds": [asdict(one) for one in summaries]})


def trends_view(found: Sequence[tuple[KindSummary, tuple[Trend, ...]]], *, each_flight: bool) -> View:
    """Each measure over time; with `each_flight` flight by flight."""

    def show(out: Console) -> None:
        for summary, trends in found:
            out.print(Text(visible(str(summary.kind)), style="bold"))
            out.print(_trend_table(trends))
            for trend in trends:
                if trend.shift is not None:
                    out.print(_shift_sentence(trend, trend.shift))
                if each_flight:
                    out.print(_points_table(trend))
            if not any(trend.shift for trend in trends):
                out.print("no measure has shifted by more than chance would show")

    return View(
        show,
        {
            "kinds": [
                {"kind": asdict(summary.kind), "trends": [asdict(one) for one in trends]}
                for summary, trends in found
            ]
        },
    )


def _trend_table(trends: Sequence[Trend]) -> Table:
    table = _table(
        "measure", ("flights", "right"), ("median", "right"), ("last", "right"), ("over time", "left")
    )
    for one in trends:
        values = [point.value for point in one.points]
        if not values:
            continue
        name = f"{one.measure.name} ({one.measure.source})"
        middle = sorted(values)[len(values) // 2]
        unit = one.measure.unit
        table.add_row(
            visible(name), str(len(values)), words.quantity(middle, unit), words.quantity(values[-1], unit),
            _spark(values),
        )  # fmt: skip
    return table


def _shift_sentence(trend: Trend, found: ShiftFound) -> Text:
    unit = trend.measure.unit
    changed = f"; with it changed: {words.listing(found.inputs_changed)}" if found.inputs_changed else ""
    return Text(
        f"- {trend.measure.name} ({trend.measure.source}) shifted from "
        f"{words.quantity(found.median_before, unit)} to {words.quantity(found.median_after, unit)} "
        f"(medians) with {visible(found.first.folder)}, p = {found.p_value:.2g}{changed}",
        style="yellow",
    )


def _points_table(trend: Trend) -> Table:
    table = _table("flight", ("seed", "right"), ("value", "right"), ("margin", "right"))
    for one in trend.points:
        value = words.quantity(one.value, trend.measure.unit)
        table.add_row(visible(one.folder), str(one.seed), value, words.margin(one.margin))
    return table


def flaky_view(found: Sequence[Flaky]) -> View:
    """A line for each scenario that passes and fails although nothing changed."""

    def show(out: Console) -> None:
        if not found:
            out.print("nothing is flaky: what was flown with equal inputs always ended alike")
            return
        table = _table(
            "flaky", ("failed", "right"), ("rate", "right"), ("95 % interval", "right"), ("seeds", "left")
        )
        for one in found:
            interval = f"{one.rate_low * 100:.0f} to {one.rate_high * 100:.0f} %"
            failed = f"{one.failed} of {one.flights}"
            table.add_row(
                _name(one.kind), failed, f"{one.rate * 100:.0f} %", interval, _seeds(one.failing_seeds)
            )
        out.print(table)
        for one in found:
            if one.not_repeatable:
                out.print(
                    f"! {_name(one.kind)}: equal seeds gave unequal flights in lockstep; look with --prove"
                )

    return View(show, {"flaky": [asdict(one) for one in found]})


def prune_view(plan: PrunePlan, *, removed: bool) -> View:
    """What goes and why, what a baseline keeps, and what is left."""

    def show(out: Console) -> None:
        for one in plan.remove[:_SHOWN_REMOVALS]:
            out.print(Text(f"  {visible(one.flight.folder)}: {one.why}"))
        if len(plan.remove) > _SHOWN_REMOVALS:
            out.print(f"  ... and {len(plan.remove) - _SHOWN_REMOVALS} more")
        if plan.protected:
            out.print(f"kept for a baseline: {words.count(len(plan.protected), 'flight')}")
        did = "removed" if removed else "would be removed"
        out.print(
            f"{words.count(len(plan.remove), 'flight')} {did}, {size(plan.bytes_freed)}; "
            f"{words.count(plan.kept, 'flight')} kept, {size(plan.bytes_left)}"
        )
        if plan.remove and not removed:
            out.print("nothing was removed; add --remove to do it")

    def rows(removals: Iterable[Removal]) -> list[dict[str, Any]]:
        return [{"folder": one.flight.folder, "why": one.why, "bytes": one.flight.bytes} for one in removals]

    data = {
        "remove": rows(plan.remove),
        "protected": rows(plan.protected),
        "kept": plan.kept,
        "bytes_freed": plan.bytes_freed,
        "bytes_left": plan.bytes_left,
        "removed": removed,
    }
    return View(show, data)


def size(number: int) -> str:
    """`512 B`, `4.2 MB`."""
    for unit, of in (("GB", 10**9), ("MB", 10**6), ("KB", 10**3)):
        if number >= of:
            return f"{number / of:.1f} {unit}"
    return f"{number} B"


def _table(first: str, *others: tuple[str, str]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False, header_style="dim")
    table.add_column(first, overflow="fold")
    for name, justify in others:
        table.add_column(name, justify="right" if justify == "right" else "left", overflow="fold")
    return table


def _name(kind: Kind) -> str:
    text = visible(str(kind))
    return text.removesuffix(", lockstep")


def _share(one: KindSummary) -> str:
    judged = one.flights - one.errors
    others = f" (+{one.errors})" if one.errors else ""
    return f"{one.passed} of {judged}{others}"


def _seeds(seeds: Sequence[int]) -> str:
    shown = ", ".join(map(str, seeds[:5]))
    return f"{shown}, ..." if len(seeds) > 5 else shown


def _spark(values: Sequence[float]) -> str:
    """The newest values as bars between their lowest and highest; of many, medians of neighbours."""
    groups = min(_SPARK_WIDTH, len(values))
    edges = [round(k * len(values) / groups) for k in range(groups + 1)]
    shown = [sorted(values[a:b])[(b - a) // 2] for a, b in pairwise(edges)]
    low, high = min(shown), max(shown)
    if high - low <= 1e-12 * max(1.0, abs(high)):
        return _BARS[3] * len(shown)
    return "".join(_BARS[round((one - low) / (high - low) * (len(_BARS) - 1))] for one in shown)
