"""`asflown doctor`: can this machine fly scripts? Tries what flights need, and says what to do where it cannot."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.flight.installed import Finding

DESCRIPTION = """\
Looks at what flights need on this machine: Python and its packages, local ports, room on the disk, whether the clock
of your scripts' Python can be held, and what only some flights need (containers, serial ports, a joystick). Each line
that is not 'ok' says what to do. Nothing is changed.
"""

EXAMPLES = """\
examples:
  asflown doctor                  look at this machine
  asflown doctor --json           the same for programs

exit codes:
  0  flights can be flown (a 'note' is something that only some flights need)
  1  something that every flight needs is wrong

What the message of another command means: asflown docs errors
"""
WIDTH = 80
_NAME_WIDTH = 18


def add_parser(commands: SubParsers) -> None:
    """Adds `doctor` to the command."""
    parser = command(
        commands, "doctor", "say what this machine lacks for flights, and what to do", DESCRIPTION, EXAMPLES
    )
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Looks, prints, and returns 0 or 1."""
    findings = _look()
    if options.json:
        _print_json(findings)
    else:
        print("\n".join(table(findings)))
    return int(any(finding.state == "wrong" for finding in findings))


def _look() -> tuple[Finding, ...]:
    from asflown.flight.installed import Finding, look_at_packages, look_at_python

    first = (look_at_python(), look_at_packages())
    try:
        from asflown.flight.machine import look_at_machine
    except ImportError as error:
        todo = "Install asflown once more into a fresh environment; nothing else was looked at"
        return (*first, Finding("imports", "wrong", str(error), todo))
    return (*first, *look_at_machine(Path.cwd()))


def _print_json(findings: Sequence[Finding]) -> None:
    import json
    from dataclasses import asdict

    passed = all(finding.state != "wrong" for finding in findings)
    print(json.dumps({"passed": passed, "findings": [asdict(finding) for finding in findings]}, indent=2))


def table(findings: Sequence[Finding]) -> list[str]:
    """Lines of at most 80 columns: state, name, what was found, and what to do beneath."""
    from asflown.report.visible import visible

    lines: list[str] = []
    for finding in findings:
        head = f"{finding.state:5}  {finding.name:{_NAME_WIDTH}}"
        lines += _wrapped(head, visible(finding.found))
        if finding.todo:
            lines += _wrapped(" " * (len(head) - 3) + "-> ", visible(finding.todo))
    wrong = sum(finding.state == "wrong" for finding in findings)
    notes = sum(finding.state == "note" for finding in findings)
    said = "flights can be flown here" if not wrong else f"{wrong} wrong: flights cannot be flown here"
    return [*lines, "", said + (f"; {notes} to note" if notes else "")]


def _wrapped(head: str, text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=head,
        subsequent_indent=" " * len(head),
        break_on_hyphens=False,
    )
