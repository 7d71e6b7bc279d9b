"""What is shown while flights are in the air."""

from __future__ import annotations

import io
import re
from contextlib import suppress

import pytest
from rich.console import Console

from asflown.grade.result import VerdictWord
from asflown.report import terminal
from asflown.report.progress import LiveBoard, Moment, PlainBoard, SilentBoard, SparseBoard, board

TITLE = "nest-boxes on palm80, seed 7"


def test_a_log_gets_a_line_for_each_phase() -> None:
    """In a file there is a line when a flight begins, changes its phase, and ends."""
    out = io.StringIO()
    with board(terminal.console(out)) as shown:
        shown.begin(0, TITLE, lambda: 1.0)
        for phase, at_s in (("preparing", 0.5), ("flying", 3.0), ("flying", 3.5), ("ending", 52.0)):
            shown.move(0, Moment(phase, at_s, 3.0, 8.0))
        shown.end(0, "pass")
    assert out.getvalue().splitlines() == [
        f"{TITLE}: starting",
        f"{TITLE}: preparing at 0.5 s",
        f"{TITLE}: flying at 3.0 s",
        f"{TITLE}: ending at 52.0 s",
        f"{TITLE}: pass",
    ]


def test_a_terminal_gets_one_line_for_each_flight() -> None:
    """On a terminal a flight is a line with phase, flight time, height, distance and pace, until it is down."""
    out = io.StringIO()
    shown = LiveBoard(Console(file=out, force_terminal=True, width=100))
    with shown:
        shown.begin(0, TITLE, lambda: 0.5)
        shown.begin(1, "weir-gauge on field1400, seed 1", lambda: 10.0)
        shown.move(0, Moment("flying", 30.0, 3.04, 8.12))
        shown.move(1, Moment("flying", 10.0, 12.0, 150.0))
        shown.refresh()
        shown.end(0, "pass")
        shown.end(1, "fail")
    text = " ".join(out.getvalue().split())
    assert f"{TITLE} flying 30.0 s 3.0 m up 8.1 m out 60x" in text
    assert "weir-gauge on field1400, seed 1 flying 10.0 s 12.0 m up 150.0 m out 1.0x" in text


@pytest.mark.parametrize(("terminal_like", "kind"), [(True, LiveBoard), (False, PlainBoard)])
def test_the_board_suits_the_console(terminal_like: bool, kind: type) -> None:
    """A terminal is redrawn in place; anything else gets plain lines."""
    assert isinstance(board(Console(file=io.StringIO(), force_terminal=terminal_like)), kind)


def test_a_flight_that_has_not_begun_to_move_is_starting() -> None:
    """A line is there as soon as the flight is asked for."""
    out = io.StringIO()
    with LiveBoard(Console(file=out, force_terminal=True, width=80)) as shown:
        shown.begin(0, TITLE, lambda: 0.0)
        shown.refresh()
    assert f"{TITLE} starting" in " ".join(out.getvalue().split())


def test_a_terminal_that_cannot_be_redrawn_gets_plain_lines() -> None:
    """TERM=dumb knows no cursor movements, so it is treated as a log."""
    out = Console(file=io.StringIO(), force_terminal=True, _environ={"TERM": "dumb"})
    assert isinstance(board(out), PlainBoard)


def test_quiet_shows_nothing_while_flights_are_in_the_air() -> None:
    """Nothing of a flight is written, on a terminal either."""
    out = io.StringIO()
    with board(Console(file=out, force_terminal=True), quiet=True) as shown:
        shown.begin(0, TITLE, lambda: 1.0)
        shown.move(0, Moment("flying", 3.0, 3.0, 8.0))
        shown.end(0, "pass")
    assert isinstance(shown, SilentBoard)
    assert not out.getvalue()


@pytest.mark.parametrize("width", [80, 120, 200])
def test_a_long_title_gives_way_to_the_numbers(width: int) -> None:
    """A flight keeps to one line of the terminal, with all its numbers whole."""
    out = io.StringIO()
    with LiveBoard(Console(file=out, force_terminal=True, width=width)) as shown:
        shown.begin(0, TITLE * 9, lambda: 5.0)
        shown.move(0, Moment("preparing", 119.9, 104.3, 1204.2))
        shown.refresh()
    lines = [line for line in re.split(r"[\r\n]|\x1b\[[0-9;?]*[A-Za-z]", out.getvalue()) if line.strip()]
    assert all(len(line) <= width for line in lines)
    assert re.search(r"preparing +119.9 s +104.3 m up +1204.2 m out +24x", lines[-1])


def test_the_cursor_is_shown_again_after_an_interruption() -> None:
    """Whatever ends the flights, Ctrl-C too, leaves the terminal with its cursor."""
    out = io.StringIO()
    with suppress(KeyboardInterrupt), LiveBoard(Console(file=out, force_terminal=True)) as shown:
        shown.begin(0, TITLE, lambda: 1.0)
        raise KeyboardInterrupt
    assert out.getvalue().rindex("\x1b[?25h") > out.getvalue().rindex("\x1b[?25l")


@pytest.mark.parametrize("width", [80, 120, 200])
def test_the_board_tells_leg_error_link_and_totals(width: int) -> None:
    """At every width a flight keeps to its line with leg, height, error and link; the last line counts them all."""
    out = io.StringIO()
    with LiveBoard(Console(file=out, force_terminal=True, width=width)) as shown:
        shown.expect(40)
        for number in range(4):
            shown.begin(number, TITLE * 3, lambda: 5.0)
        shown.end(0, "pass", "pass")
        shown.end(1, "fail", "fail")
        shown.move(2, Moment("flying", 119.9, 104.3, 1204.2, 1234, leg="12/14 return", off_m=10.4))
        shown.move(3, Moment("flying", 9.9, 4.3, 4.2, leg="1/14 line", off_m=0.4, silent_s=0.2))
        shown.refresh()
    lines = [line for line in re.split(r"[\r\n]|\x1b\[[0-9;?]*[A-Za-z]", out.getvalue()) if line.strip()]
    assert all(len(line) <= width for line in lines)
    assert re.search(
        r"12/14 return +119.9 s +104.3 m up +10.4 m off +1204.2 m out +1234 lost +24x", lines[-3]
    )
    assert re.search(r"1/14 line +9.9 s +4.3 m up +0.4 m off +4.2 m out +0.2 s old +2.0x", lines[-2])
    assert lines[-1].strip() == "2 of 40 done: 1 passed, 1 failed; 2 under way"


def test_a_log_of_many_flights_gets_a_line_for_every_so_many() -> None:
    """With the totals until then, and one when all are done; a scenario's words cannot steer a terminal."""
    out = io.StringIO()
    with board(terminal.console(out), plain=lambda console: SparseBoard(console, every=2)) as shown:
        shown.expect(5)
        verdicts: tuple[VerdictWord, ...] = ("pass", "pass", "fail", "error", "pass")
        for number, verdict in enumerate(verdicts):
            shown.begin(number, f"flight {number}: \x1b[2J", lambda: 1.0)
            shown.end(number, verdict, verdict)
    assert out.getvalue().splitlines() == [
        "flight 1: #x1B[2J: pass; 2 of 5 done: 2 passed",
        "flight 3: #x1B[2J: error; 4 of 5 done: 2 passed, 1 failed, 1 in error",
        "flight 4: #x1B[2J: pass; 5 of 5 done: 3 passed, 1 failed, 1 in error",
    ]


def test_a_board_can_be_shown_again_and_counts_on() -> None:
    """What was printed between stays where it is: the second time draws nothing over it."""
    out = io.StringIO()
    shown = LiveBoard(Console(file=out, force_terminal=True, width=80))
    shown.expect(2)
    with shown:
        shown.begin(0, TITLE, lambda: 1.0)
        shown.refresh()
        shown.end(0, "pass", "pass")
    out.write("result\n")
    before = len(out.getvalue())
    with shown:
        shown.begin(1, TITLE, lambda: 1.0)
        shown.refresh()
    again = out.getvalue()[before:]
    assert "1 of 2 done: 1 passed; 1 under way" in again
    assert "\x1b[1A" not in again.partition(TITLE)[0]


def test_a_campaign_whose_flights_cannot_be_watched_shows_its_totals() -> None:
    """A cluster tells of flights that ended alone: the board counts them without a line for each."""
    out = io.StringIO()
    with LiveBoard(Console(file=out, force_terminal=True, width=80)) as shown:
        shown.expect(3)
        shown.end(2, "pass", "pass")
        shown.refresh()
    assert "1 of 3 done: 1 passed" in out.getvalue()
    assert "under way" not in out.getvalue()
