"""The page of errors: the exit codes, and each class of error with what it means, what to do, and its wordings."""

from __future__ import annotations

import inspect
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from asflown import errors
from asflown.cli.pages.markdown import made_by, table
from asflown.cli.pages.raised import Raised, raised
from asflown.errors import AsflownError, ExitCode, FileProblem, Position

_FILE = Position(Path("nest-boxes.scenario.yaml"), 11, 3)


@dataclass(frozen=True, slots=True)
class Entry:
    """What there is to say of a class of error beside its docstring."""

    todo: str
    example: AsflownError


CATALOGUE: Mapping[type[AsflownError], Entry] = {
    errors.UsageError: Entry(
        "Mend the command line. `asflown COMMAND --help` has examples.",
        errors.UsageError("there is no vehicle `plam80`", "Did you mean `palm80`?"),
    ),
    FileProblem: Entry(
        "Open the file at that line and column; the message says what to write. `asflown check` names all mistakes "
        "at once, `asflown docs scenario-file` every key.",
        FileProblem(_FILE, "unknown key `timelimit`", "Did you mean `time_limit`?"),
    ),
    errors.FileProblems: Entry(
        "As above, for each line.",
        errors.FileProblems(
            (
                FileProblem(_FILE, "unknown key `timelimit`", "Did you mean `time_limit`?"),
                FileProblem(Position(_FILE.file, 30, 32), "`at_most: 2` has no unit", "Write `2 m`"),
            )
        ),
    ),
    errors.QuantityProblem: Entry(
        "Write a number and its unit. In a file it comes as a problem of that file, with its place.",
        errors.QuantityProblem("1.5", "has no unit", "write `1.5 m`"),
    ),
    errors.LegProblem: Entry(
        "Mend that leg of `expect: path: legs:`; legs count from 1.",
        errors.LegProblem(3, "the arc begins at its centre", "Move the centre, or the leg before"),
    ),
    errors.FormulaProblem: Entry(
        "Mend the rule at the character that the message points to; [rules](../rules.md) has the grammar.",
        errors.FormulaProblem(7, "there is no signal `hieght`", "Did you mean `height`?"),
    ),
    errors.FolderProblem: Entry(
        "Name a flight's folder as `asflown fly` printed it, or a place that can be read and written.",
        errors.FolderProblem(
            "/data/flights/probe cannot be written (Permission denied)", "Name a place that can be written"
        ),
    ),
    errors.FlightError: Entry(
        "The script was not judged. Mend what the message names and fly again; on a CI server `--retry-errors` does.",
        errors.FlightError("the flight's process ended without a result", "Fly it again"),
    ),
    errors.ScriptProblem: Entry(
        "Look at `script:` in the scenario and at `script.log` in the flight's folder.",
        errors.ScriptProblem(
            "the script never sent anything on its link", "Check that `run:` passes {link} to it"
        ),
    ),
    errors.VehicleProblem: Entry(
        "Look at the vehicle file, the cable, the container's log; `asflown doctor` looks at the machine.",
        errors.VehicleProblem(
            "the bench rig is in use by process 4711", "Wait until that run has ended; its lock goes with it"
        ),
    ),
    errors.LinkProblem: Entry(
        "End the other program, or choose another port; `asflown doctor` shows which are taken.",
        errors.LinkProblem(
            "port 14550 is in use by another program", "End it, or give the script another port"
        ),
    ),
    errors.ClockProblem: Entry(
        "Leave `clock: lockstep` out, or avoid the call that the message names; `asflown check --surface` lists them.",
        errors.ClockProblem(
            "the script cannot be held to virtual time: python -I leaves out the shim", "Run it without -I"
        ),
    ),
    errors.HarnessFault: Entry(
        "It is not your mistake. Report it with `.asflown/fault.log`, or the flight's folder.",
        errors.HarnessFault(
            "the broker granted time that had passed", "Please report it with the flight's folder"
        ),
    ),
}
"""Every class of errors.py that a user can meet."""

_OPENING = """\
An error says where, what is wrong, and what to do. It goes to standard error, and the exit code tells what kind it was,
so that no program needs to read the text. `…` below stands for what is known only when it happens."""


def page() -> str:
    """The whole page."""
    lines = ["# Errors and exit codes", "", made_by("errors"), "", _OPENING, "", "## Exit codes", ""]
    lines += table(["code", "meaning"], [(str(int(code)), meaning) for code, meaning in exit_codes().items()])
    lines += [
        "",
        "1 outranks 3, and 3 outranks 4. A reader of the output who goes away ends a command with 141.",
        "",
    ]
    made = raised({kind.__name__ for kind in CATALOGUE})
    for kind, entry in CATALOGUE.items():
        lines += _section(kind, entry, [one for one in made if one.kind == kind.__name__])
    return "\n".join(lines).rstrip() + "\n"


def exit_codes() -> dict[ExitCode, str]:
    """Each code with the words beneath it in the source."""
    lines = inspect.getsource(ExitCode).splitlines()
    return {code: lines[_line_of(code, lines) + 1].strip().strip('"') for code in ExitCode}


def _line_of(code: ExitCode, lines: list[str]) -> int:
    return next(index for index, line in enumerate(lines) if line.strip().startswith(f"{code.name} ="))


def _section(kind: type[AsflownError], entry: Entry, made: list[Raised]) -> Iterator[str]:
    yield from (
        f"## {kind.__name__}",
        "",
        f"Exit code {int(kind.exit_code)}. {' '.join((kind.__doc__ or '').split())}",
        "",
    )
    yield from (f"**What to do:** {entry.todo}", "", "```text", str(entry.example), "```", "")
    if made:
        yield from table(
            ["what is said", "what to do"], [(_quoted(one.problem), _quoted(one.remedy)) for one in made]
        )
        yield ""


def _quoted(text: str) -> str:
    """As it is said, safe in a table of Markdown."""
    return text.replace("<", "&lt;").replace("*", "\\*").replace("_", "\\_") if text else "–"
