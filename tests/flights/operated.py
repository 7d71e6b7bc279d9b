"""The operator's place in tests: a console that answers, and the command run on a real pseudo terminal."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import subprocess
import termios
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

ANSWERS = {
    "Where does the rig stand?": "workshop, bench 2",
    "What powers it": "USB alone",
    "Type: propellers off": "propellers off",
    "Type: hands off": "hands off",
    "Where is this?": "meadow behind the mill",
    "The battery, as measured": "3.9 V",
    "The wind here": "2 m/s from 240 deg",
    "Type: clear area": "clear area",
    "Who is the pilot?": "A. Person",
    "Type: pilot ready": "pilot ready",
    "Type: rules kept": "rules kept",
    "Type: fly": "fly",
}
"""What a careful operator answers, by a part of the question."""


CTRL_C = "\x03"


def answer_to(text: str, answers: Mapping[str, str] = ANSWERS) -> str | None:
    """The answer whose question is in `text`."""
    return next((answer for part, answer in answers.items() if part in text), None)


@dataclass
class AnsweringConsole:
    """Answers by a table; a list for one question is used up in order."""

    answers: Mapping[str, str] = field(default_factory=lambda: dict(ANSWERS))
    is_terminal: bool = True
    said: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        """Notes it."""
        self.said.append(text)

    def ask(self, text: str) -> str | None:
        """Answers it."""
        self.said.append(text)
        return answer_to(text, self.answers)


def run_on_terminal(
    command: list[str], folder: Path, answers: Mapping[str, str] = ANSWERS, timeout_s: float = 240
) -> tuple[int, str]:
    """Runs a command on a terminal of its own, typing answers at each prompt; its exit code and all it showed.

    A question without an answer gets the end of the input, as Ctrl-D gives it; the answer CTRL_C is what its name says.
    """
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        command,
        cwd=folder,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509 - no threads; Ctrl-C is one then
        env={**os.environ, "COLUMNS": "200", "TERM": "dumb"},
    )
    os.close(theirs)
    shown, asked, end = "", 0, time.monotonic() + timeout_s
    try:
        while time.monotonic() < end:
            if select.select([ours], [], [], 0.2)[0]:
                try:
                    data = os.read(ours, 65_536)
                except OSError:  # the last one who had it open is gone
                    break
                shown += data.decode("utf-8", "replace")
            elif process.poll() is not None:
                break
            if shown.endswith("> ") and len(shown) > asked:
                answer = answer_to(shown[asked:], answers)
                os.write(ours, b"\x04" if answer is None else f"{answer}\n".encode())
                asked = len(shown)
        return process.wait(10), shown
    finally:
        process.kill()
        process.wait()
        os.close(ours)
