"""The live board on a real pseudo-terminal, with real flights."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from collections.abc import Callable
from pathlib import Path

import pytest

NEST_BOXES = Path(__file__).parents[2] / "scenarios" / "nest_boxes"
CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


def fly_on_terminal(keep: Path, columns: int, on_text: Callable[[str, int], None]) -> tuple[int, str]:
    """Flies twice with two workers; `on_text` gets all that was shown and the terminal, whenever there is more."""
    words = ["fly", str(NEST_BOXES), "--flights", "2", "--workers", "2", "--keep", str(keep)]
    return on_terminal(words, columns, on_text)


def on_terminal(
    words: list[str],
    columns: int,
    on_text: Callable[[str, int], None] = lambda text, terminal: None,
    **surroundings: str,
) -> tuple[int, str]:
    """Exit code of an asflown command, and all that it wrote to a terminal as its standard error."""
    mine, its = pty.openpty()
    fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    hidden = {"COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR"}
    inherited = {key: value for key, value in os.environ.items() if key not in hidden}
    flying = subprocess.Popen(
        [sys.executable, "-m", "asflown", *words],
        stdin=its, stdout=subprocess.DEVNULL, stderr=its, start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 (no threads here): a typed Ctrl-C reaches it
        env=inherited | {"TERM": "xterm-256color"} | surroundings,
    )  # fmt: skip
    os.close(its)
    shown = b""
    try:
        while more := _read(mine):
            shown += more
            on_text(shown.decode(errors="replace"), mine)
        return flying.wait(), shown.decode()
    finally:
        flying.kill()
        os.close(mine)


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 65536)
    except OSError:  # its other side was closed
        return b""


def lines_of(shown: str) -> list[str]:
    """What was drawn, frame by frame, without control sequences."""
    return [line for line in re.split(r"[\r\n]+", CONTROL.sub("", shown)) if line.strip()]


def cursor_is_shown(shown: str) -> bool:
    """Whether the last word about the cursor is that it is shown, after it was hidden."""
    return shown.rfind("\x1b[?25h") > shown.rfind("\x1b[?25l") >= 0


@pytest.mark.parametrize("columns", [80, 120])
def test_two_flights_are_shown_on_a_terminal(columns: int, tmp_path: Path) -> None:
    """Leg, error, link and totals are there, no line is wider than the terminal, and the cursor comes back."""
    code, shown = fly_on_terminal(tmp_path, columns, lambda text, terminal: None)
    lines = lines_of(shown)
    assert code == 0
    assert max(map(len, lines)) <= columns
    assert any(re.search(r"\d/\d+ (line|climb|hold) .* m up .* m off .* lost", line) for line in lines)
    assert any("0 of 2 done; 2 under way" in line for line in lines)
    assert cursor_is_shown(shown)


def test_ctrl_c_gives_the_cursor_back(tmp_path: Path) -> None:
    """Typed while the board is drawn, it ends the flights and leaves the terminal with its cursor."""
    typed = False

    def type_it(text: str, terminal: int) -> None:
        nonlocal typed
        if not typed and " m off" in text:
            typed = True
            os.write(terminal, b"\x03")

    code, shown = fly_on_terminal(tmp_path, 100, type_it)
    assert typed
    assert code != 0
    assert cursor_is_shown(shown)


CAMPAIGN = """asflown: 1
extends: {nest_boxes}/nest-boxes.scenario.yaml
vehicle: palm80
campaign:
  flights: 4
  vary:
    conditions.wind.speed: {{uniform: [0 m/s, 3 m/s]}}
    conditions.wind.from: {{uniform: [0 deg, 360 deg]}}
"""


@pytest.fixture
def windy(tmp_path: Path) -> Path:
    """A scenario with a campaign of four flights."""
    file = tmp_path / "windy.scenario.yaml"
    file.write_text(CAMPAIGN.format(nest_boxes=NEST_BOXES))
    (tmp_path / "nest_boxes.py").write_bytes((NEST_BOXES / "nest_boxes.py").read_bytes())
    return file


@pytest.mark.parametrize("columns", [80, 200])
def test_flights_of_a_campaign_are_shown_on_a_terminal(columns: int, windy: Path) -> None:
    """Each flight in the air with leg, height, error and link, what it was given, and the totals of all."""
    code, shown = on_terminal(
        ["campaign", str(windy), "--workers", "2", "--into", str(windy.parent / "kept")], columns
    )
    lines = lines_of(shown)
    assert code == 0
    assert max(map(len, lines)) <= columns
    assert any(
        re.search(r"flight \d.*\d/\d+ (line|climb|hold) .* m up .* m off .* lost", line) for line in lines
    )
    assert any(re.fullmatch(r"[0-3] of 4 done.*; 2 under way", line.strip()) for line in lines)
    assert columns == 80 or any("wind.speed" in line for line in lines)
    assert cursor_is_shown(shown)


def test_no_colour_is_used_where_none_is_wanted(windy: Path) -> None:
    """NO_COLOR leaves cursor movements alone, and a quiet campaign writes nothing at all."""
    into = str(windy.parent / "kept")
    _, shown = on_terminal(["campaign", str(windy), "--into", into], 100, NO_COLOR="1")
    assert not re.search(r"\x1b\[[0-9;]*[1-9][0-9;]*m", shown)
    assert " m off" in shown
    _, shown = on_terminal(["campaign", str(windy), "--quiet", "--into", f"{into}-again"], 100)
    assert shown == ""


def test_a_search_shows_the_flight_in_the_air_and_leaves_its_results_alone(windy: Path) -> None:
    """The board is on standard error alone; a result is never drawn over."""
    code, shown = on_terminal(["search", str(windy), "--flights", "2"], 100)
    assert code == 0
    assert re.search(r"flight 2: wind.* m off", CONTROL.sub("", shown))
    assert "worst margin" not in shown
    assert cursor_is_shown(shown)
