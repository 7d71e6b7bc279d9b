"""What is shown while flights are in the air: one line for each on a terminal, plain lines elsewhere.

Progress goes to standard error, results to standard output. Nothing here decides anything.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Protocol, Self

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from asflown.grade.result import VerdictWord
from asflown.report.visible import visible

REFRESH_HZ = 5
ROOMY = 110
"""From so many columns on, the leg has a column beside the phase."""
WORDS: dict[VerdictWord, str] = {
    "pass": "passed",
    "fail": "failed",
    "inconclusive": "inconclusive",
    "error": "in error",
}
ElapsedS = Callable[[], float]
"""Wall time since the flight began, seconds."""


@dataclass(frozen=True, slots=True)
class Moment:
    """How far one flight is; height above and horizontal distance from the start point, metres."""

    phase: str
    flight_time_s: float
    height_m: float
    distance_m: float
    frames_lost: int | None = None
    """On the radio; None where nobody counts them."""
    leg: str = ""
    """`3/7 line`; empty where there is none."""
    off_m: float | None = None
    """Distance from the leg, in space."""
    silent_s: float | None = None
    """Age of the last position that was heard."""


class Board(Protocol):
    """Shows how flights go. A flight is known by its running number."""

    @property
    def watches(self) -> bool:
        """Whether it shows how far a flight is; where not, nobody needs to work that out."""

    def __enter__(self) -> Self:
        """Begins to show."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leaves the terminal as it was."""

    def expect(self, flights: int) -> None:
        """So many flights more are to be flown."""

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """A flight begins."""

    def move(self, number: int, moment: Moment) -> None:
        """A flight went on."""

    def end(self, number: int, result: str, verdict: VerdictWord | None = None) -> None:
        """A flight ended; `result` is a word or a sentence, `verdict` is None for a flight that is not judged."""


def board(
    out: Console,
    *,
    questions: bool = False,
    quiet: bool = False,
    plain: Callable[[Console], Board] | None = None,
) -> Board:
    """The board that suits the console; a plain one where people are asked meanwhile, or lines cannot be redrawn."""
    if quiet:
        return SilentBoard()
    redrawn = out.is_terminal and not out.is_dumb_terminal
    return LiveBoard(out) if redrawn and not questions else (plain or PlainBoard)(out)


@dataclass(slots=True)
class _Line:
    title: str
    elapsed_s: ElapsedS
    moment: Moment | None = None


@dataclass(slots=True)
class _Totals:
    """What became of the flights until now, of how many."""

    expected: int = 0
    ended: Counter[VerdictWord | None] = field(default_factory=Counter)

    def __str__(self) -> str:
        """`3 of 8 done: 2 passed, 1 failed`."""
        judged = ", ".join(f"{self.ended[one]} {word}" for one, word in WORDS.items() if self.ended[one])
        done = self.ended.total()
        return f"{done} of {max(self.expected, done)} done{': ' if judged else ''}{judged}"


class LiveBoard:
    """One line for each flight in the air, redrawn in place; the terminal is clean when they are down.

    It can be entered again, and counts on.
    """

    watches = True

    def __init__(self, out: Console) -> None:
        self._out = out
        self._lines: dict[int, _Line] = {}
        self._totals = _Totals()
        self._live = self._new_live()

    def _new_live(self) -> Live:
        """Standard output stays what it is: results may go elsewhere."""
        return Live(
            get_renderable=self._draw, console=self._out, refresh_per_second=REFRESH_HZ, transient=True,
            redirect_stdout=False,
        )  # fmt: skip

    def __enter__(self) -> Self:
        """Begins to show."""
        self._live = self._new_live()  # a used one would take away what was printed since
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Clears the lines."""
        self._live.stop()

    def expect(self, flights: int) -> None:
        """Counts them in."""
        self._totals.expected += flights

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """Adds a line."""
        self._lines[number] = _Line(visible(title), elapsed_s)

    def move(self, number: int, moment: Moment) -> None:
        """Notes where a flight is; it is drawn with the next refresh."""
        self._lines[number].moment = moment

    def end(self, number: int, result: str, verdict: VerdictWord | None = None) -> None:
        """Takes a line away, and counts it."""
        self._lines.pop(number, None)
        self._totals.ended[verdict] += 1

    def refresh(self) -> None:
        """Draws now, instead of waiting for the next turn."""
        self._live.refresh()

    def _draw(self) -> Group:
        """All lines as the terminal is now; it may have been resized since."""
        lines, roomy = list(self._lines.values()), self._out.width >= ROOMY
        rows = [(line.title, _cells(line, roomy=roomy)) for line in lines]
        table = Table.grid(padding=(0, 2 if roomy else 1))
        table.add_column()  # the title alone gives way where there is little room
        for _ in range(max((len(cells) for _, cells in rows), default=0)):
            table.add_column(no_wrap=True)
        for title, cells in rows:
            table.add_row(Text(title, overflow="ellipsis", no_wrap=True), *cells)
        if self._totals.expected < 2:
            return Group(table)
        under_way = f"; {len(lines)} under way" if lines else ""
        return Group(table, Text(f"{self._totals}{under_way}", overflow="ellipsis", no_wrap=True))


def _cells(line: _Line, *, roomy: bool) -> list[str]:
    """`flying`, `3/7 line`, `12.4 s`, `3.0 m up`, `0.4 m off`, `8.1 m out`, `2 lost`, `58x`.

    Where there is little room the leg stands for the phase: who is on a leg is flying.
    """
    moment = line.moment
    if moment is None:
        return ["starting"]
    pace = moment.flight_time_s / max(line.elapsed_s(), 1e-3)
    on_leg = bool(moment.leg) and moment.phase == "flying"
    return [
        *([moment.phase, moment.leg] if roomy else [moment.leg if on_leg else moment.phase]),
        f"{moment.flight_time_s:.1f} s",
        f"{moment.height_m:.1f} m up",
        "" if moment.off_m is None else f"{moment.off_m:.1f} m off",
        f"{moment.distance_m:.1f} m out",
        _link(moment),
        f"{pace:.0f}x" if pace >= 2 else f"{pace:.1f}x",
    ]


def _link(moment: Moment) -> str:
    """`2 lost` where the radio counts, else how old the newest position is: `0.2 s old`."""
    if moment.frames_lost is not None:
        return f"{moment.frames_lost} lost"
    return "" if moment.silent_s is None else f"{moment.silent_s:.1f} s old"


class _Unframed:
    """What boards have in common that print whole lines, or none."""

    watches = False

    def __enter__(self) -> Self:
        """Needs nothing."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Has nothing to clean up."""

    def expect(self, flights: int) -> None:
        """Says nothing."""

    def move(self, number: int, moment: Moment) -> None:
        """Says nothing."""


class PlainBoard(_Unframed):
    """A line when a flight begins, when its phase changes, and when it ends: for logs."""

    watches = True

    def __init__(self, out: Console) -> None:
        self._out = out
        self._titles: dict[int, str] = {}
        self._phases: dict[int, str] = {}

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """Says what begins."""
        self._titles[number] = title
        _print(self._out, f"{title}: starting")

    def move(self, number: int, moment: Moment) -> None:
        """Says when a flight enters another phase."""
        if self._phases.get(number) != moment.phase:
            self._phases[number] = moment.phase
            _print(self._out, f"{self._titles[number]}: {moment.phase} at {moment.flight_time_s:.1f} s")

    def end(self, number: int, result: str, verdict: VerdictWord | None = None) -> None:
        """Says how it ended."""
        _print(self._out, f"{self._titles[number]}: {result}")


class SparseBoard(_Unframed):
    """A line for every so many flights that ended, with the totals: for logs of many flights."""

    def __init__(self, out: Console, every: int = 1) -> None:
        self._out, self._every = out, every
        self._titles: dict[int, str] = {}
        self._totals = _Totals()

    def expect(self, flights: int) -> None:
        """Counts them in."""
        self._totals.expected += flights

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """Notes what it is called."""
        self._titles[number] = title

    def end(self, number: int, result: str, verdict: VerdictWord | None = None) -> None:
        """Says how it ended, and how many there are."""
        self._totals.ended[verdict] += 1
        title = self._titles.pop(number, f"flight {number}")
        done = self._totals.ended.total()
        if done % self._every == 0 or done == self._totals.expected:
            _print(self._out, f"{title}: {result}; {self._totals}")


def _print(out: Console, text: str) -> None:
    out.print(Text(visible(text)), soft_wrap=True)


class SilentBoard(_Unframed):
    """Shows nothing: for those who want the results alone."""

    def begin(self, number: int, title: str, elapsed_s: ElapsedS) -> None:
        """Keeps silent."""

    def end(self, number: int, result: str, verdict: VerdictWord | None = None) -> None:
        """Keeps silent: the results tell it."""
