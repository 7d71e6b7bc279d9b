"""Every error that asflown raises on purpose, and the exit code each leads to.

    AsflownError
    ├── UsageError               exit 2: the command, a file or a folder given by the user
    │   ├── FileProblem          a scenario or vehicle file: file:line:column, what, what instead
    │   │   └── FileProblems     several of them together
    │   ├── QuantityProblem      a text that is no quantity of the wanted kind
    │   ├── LegProblem           a leg of the expected path that cannot be flown as written
    │   ├── FormulaProblem       a rule's text that cannot be understood
    │   └── FolderProblem        a folder or capture that cannot be read or written
    ├── FlightError              exit 3: the flight could not be carried out, no verdict on the script
    │   ├── ScriptProblem        the script could not be started, never spoke, got stuck
    │   ├── VehicleProblem       the vehicle did not appear, was lost, or refuses
    │   ├── LinkProblem          a port is taken, shared unnoticed, or broke
    │   └── ClockProblem         lockstep was demanded and cannot be had
    └── HarnessFault             exit 5: a fault of asflown itself

An error's text has three parts: where, what is wrong, what to do. Nobody decides by the text of an error.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path


class ExitCode(IntEnum):
    """Exit codes of the command; `fail` outranks `not flown`, which outranks `inconclusive`."""

    PASSED = 0
    """Every flight passed."""
    FAILED = 1
    """At least one flight failed its scenario."""
    USAGE = 2
    """The command line, a file or a folder is wrong."""
    NOT_FLOWN = 3
    """A flight could not be carried out."""
    INCONCLUSIVE = 4
    """The evidence does not decide."""
    FAULT = 5
    """A fault of asflown itself."""
    INTERRUPTED = 130
    """Ctrl-C, after captures were closed."""
    TERMINATED = 143
    """SIGTERM, after captures were closed."""


@dataclass(frozen=True, slots=True)
class Position:
    """A place in a text file; line and column count from 1."""

    file: Path
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


LONGEST_SAID = 2000
"""Characters of a problem or a remedy that are shown: a message may quote a file, and a person reads it."""


def shortened(text: str) -> str:
    """`text`, with its middle left out where it is too long to be read."""
    if len(text) <= LONGEST_SAID:
        return text
    return f"{text[: LONGEST_SAID * 3 // 4]} ... {text[-LONGEST_SAID // 4 :]}"


class AsflownError(Exception):
    """Root of all errors raised on purpose: `problem` says what is wrong, `remedy` what to do about it."""

    exit_code: ExitCode = ExitCode.FAULT

    def __init__(self, problem: str, remedy: str = "") -> None:
        super().__init__(problem, remedy)  # both, so that the error survives a process border
        self.problem, self.remedy = problem, remedy

    def __str__(self) -> str:
        problem, remedy = shortened(self.problem), shortened(self.remedy)
        return f"{problem}. {remedy}" if remedy else problem


class UsageError(AsflownError):
    """The command line, a file or a folder given by the user is wrong."""

    exit_code = ExitCode.USAGE


class FileProblem(UsageError):
    """A scenario or vehicle file cannot be used: where, what is wrong, what to write instead."""

    def __init__(self, where: Position, problem: str, remedy: str = "") -> None:
        super().__init__(problem, remedy)
        self.args = (where, problem, remedy)
        self.where = where

    def __str__(self) -> str:
        return f"{self.where}: {super().__str__()}"


class FileProblems(FileProblem):
    """Several problems of files: `problems` holds all of them, the text shows the first ten."""

    SHOWN = 10

    def __init__(self, problems: tuple[FileProblem, ...]) -> None:
        first = problems[0]
        super().__init__(first.where, first.problem, first.remedy)
        self.args, self.problems = (problems,), problems

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems[: self.SHOWN]]
        hidden = len(self.problems) - len(lines)
        return "\n".join([*lines, f"... and {hidden} more"] if hidden else lines)


class QuantityProblem(UsageError):
    """A text is no quantity of the wanted kind: `text`, what is wrong with it (`fault`), what to write."""

    def __init__(self, text: str, fault: str, remedy: str) -> None:
        super().__init__(f"`{text}` {fault}", remedy[:1].upper() + remedy[1:])
        self.args, self.text, self.fault = (text, fault, remedy), text, fault


class LegProblem(UsageError):
    """A leg of the expected path makes no sense where it stands; `leg` counts from 1."""

    def __init__(self, leg: int, problem: str, remedy: str) -> None:
        super().__init__(problem, remedy)
        self.args, self.leg = (leg, problem, remedy), leg


class FormulaProblem(UsageError):
    """A rule's text cannot be understood; `offset` counts characters of the text from 0."""

    def __init__(self, offset: int, problem: str, remedy: str) -> None:
        super().__init__(problem, remedy)
        self.args, self.offset = (offset, problem, remedy), offset


class FolderProblem(UsageError):
    """A folder or capture given by the user cannot be read or written."""


class FlightError(AsflownError):
    """The flight could not be carried out; this says nothing about the script's behaviour."""

    exit_code = ExitCode.NOT_FLOWN


class ScriptProblem(FlightError):
    """The script could not be started, never spoke on its link, or neither waited nor ended."""


class VehicleProblem(FlightError):
    """The vehicle did not appear, was lost, or cannot do what the scenario needs."""


class LinkProblem(FlightError):
    """A port is taken, shared with another program, or broke."""


class ClockProblem(FlightError):
    """The scenario demands lockstep and the script cannot be held to it."""


class HarnessFault(AsflownError):
    """A fault of asflown itself; please report it with the flight folder."""

    exit_code = ExitCode.FAULT
