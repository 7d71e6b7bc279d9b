"""The terminal of the person at the command: where an operator is asked."""

from __future__ import annotations

import sys


class TerminalConsole:
    """Standard input and output, if both are a terminal."""

    @property
    def is_terminal(self) -> bool:
        """Whether a person can read the question and type the answer."""
        return sys.stdin.isatty() and sys.stdout.isatty()

    def say(self, text: str) -> None:
        """Shows a line."""
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()

    def ask(self, text: str) -> str | None:
        """Shows a question and takes a line; None at the end of the input."""
        sys.stdout.write(f"{text}\n> ")
        sys.stdout.flush()
        line = sys.stdin.readline()
        return line or None
