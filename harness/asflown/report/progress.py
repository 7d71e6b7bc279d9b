"""What is shown while flights are in the air: one line for each on a terminal, plain lines elsewhere.

Progress goes to standard error, results to standard output. Nothing here decides anything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

REFRESH_HZ = 5
NUMBERS = 5
"""Columns beside the title."""
ElapsedS = Callable[[], float]
"""Wall time since the flight began, seconds."""


@dataclass(frozen=True, slots=True)
class Moment:
    """How far one flight is; height above and horizontal distance from the start point, metres."""

    phase: str
    flight_time_s: float
    height_m: float
    distance_m: float


class Board(Protocol):
    """Shows how flights go. A flight is known by its running number."""

    def __enter__(self) -> Self:
        """Begins to show."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leaves the terminal as it was."""

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """A flight begins."""

    def move(self, number: int, moment: Moment) -> None:
        """A flight went on."""

    def end(self, number: int, result: str) -> None:
        """A flight ended; `result` is a word or a sentence."""


def board(out: Console, *, questions: bool = False, quiet: bool = False) -> Board:
    """The board that suits the console; a plain one where people are asked meanwhile, or lines cannot be redrawn."""
    if quiet:
        return SilentBoard()
    redrawn = out.is_terminal and not out.is_dumb_terminal
    return LiveBoard(out) if redrawn and not questions else PlainBoard(out)


@dataclass(slots=True)
class _Line:
    title: str
    elapsed_s: ElapsedS
    moment: Moment | None = None


class LiveBoard:
    """One line for each flight in the air, redrawn in place; the terminal is clean when they are down."""

    def __init__(self, out: Console) -> None:
        self._lines: dict[int, _Line] = {}
        self._live = Live(
            get_renderable=self._draw, console=out, refresh_per_second=REFRESH_HZ, transient=True
        )

    def __enter__(self) -> Self:
        """Begins to show."""
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Clears the lines."""
        self._live.stop()

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """Adds a line."""
        self._lines[number] = _Line(title, elapsed_s)

    def move(self, number: int, moment: Moment) -> None:
        """Notes where a flight is; it is drawn with the next refresh."""
        self._lines[number].moment = moment

    def end(self, number: int, result: str) -> None:
        """Takes a line away."""
        self._lines.pop(number, None)

    def refresh(self) -> None:
        """Draws now, instead of waiting for the next turn."""
        self._live.refresh()

    def _draw(self) -> Table:
        table = Table.grid(padding=(0, 2))
        table.add_column()  # the title alone gives way where there is little room
        for _ in range(NUMBERS):
            table.add_column(no_wrap=True)
        for line in list(self._lines.values()):
            table.add_row(Text(line.title, overflow="ellipsis", no_wrap=True), *_cells(line))
        return table


def _cells(line: _Line) -> list[str]:
    """`flying`, `12.4 s`, `3.0 m up`, `8.1 m out`, `58x`."""
    moment = line.moment
    if moment is None:
        return ["starting", "", "", "", ""]
    pace = moment.flight_time_s / max(line.elapsed_s(), 1e-3)
    return [
        moment.phase,
        f"{moment.flight_time_s:.1f} s",
        f"{moment.height_m:.1f} m up",
        f"{moment.distance_m:.1f} m out",
        f"{pace:.0f}x" if pace >= 2 else f"{pace:.1f}x",
    ]


class PlainBoard:
    """A line when a flight begins, when its phase changes, and when it ends: for logs."""

    def __init__(self, out: Console) -> None:
        self._out = out
        self._titles: dict[int, str] = {}
        self._phases: dict[int, str] = {}

    def __enter__(self) -> Self:
        """Needs nothing."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Has nothing to clean up."""

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """Says what begins."""
        self._titles[number] = title
        self._print(f"{title}: starting")

    def move(self, number: int, moment: Moment) -> None:
        """Says when a flight enters another phase."""
        if self._phases.get(number) != moment.phase:
            self._phases[number] = moment.phase
            self._print(f"{self._titles[number]}: {moment.phase} at {moment.flight_time_s:.1f} s")

    def end(self, number: int, result: str) -> None:
        """Says how it ended."""
        self._print(f"{self._titles[number]}: {result}")

    def _print(self, text: str) -> None:
        self._out.print(Text(text), soft_wrap=True)


class SilentBoard:
    """Shows nothing: for those who want the results alone."""

    def __enter__(self) -> Self:
        """Needs nothing."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Has nothing to clean up."""

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """Keeps silent."""

    def move(self, number: int, moment: Moment) -> None:
        """Keeps silent."""

    def end(self, number: int, result: str) -> None:
        """Keeps silent: the results tell it."""
