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
    mine, its = pty.openpty()
    fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    command = [sys.executable, "-m", "asflown", "fly", str(NEST_BOXES), "--flights", "2", "--workers", "2"]
    hidden = {"COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR"}
    surroundings = {key: value for key, value in os.environ.items() if key not in hidden}
    flying = subprocess.Popen(
        [*command, "--keep", str(keep)],
        stdin=its, stdout=subprocess.DEVNULL, stderr=its, start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 (no threads here): a typed Ctrl-C reaches it
        env=surroundings | {"TERM": "xterm-256color"},
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
    assert any("0 done; 2 under way" in line for line in lines)
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
