"""`asflown new`: a first scenario file for a script, asked for or by flags."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.cli.console import TerminalConsole

DESCRIPTION = """\
Writes a scenario file with comments beside your script. How the script takes its link is found by reading it (it is
not run); with --from-flight the expected path is drawn from a flight that was captured. On a terminal, what no flag
says is asked for.
"""

EXAMPLES = """\
examples:
  asflown new river-walk --script river_walk.py         an example path, to be replaced
  asflown new river-walk --from-flight .asflown/flights/20261125T143009Z-try-palm80-1
                                                        the path that this flight flew, its own script
  asflown new river-walk --script river_walk.py --from-flight outdoors.tlog
"""
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")


def add_parser(commands: SubParsers) -> None:
    """Adds `new` to the command."""
    parser = command(commands, "new", "write a first scenario file for a script", DESCRIPTION, EXAMPLES)
    add = parser.add_argument
    add(
        "name",
        nargs="?",
        metavar="NAME",
        help="small letters, digits and hyphens; the file is NAME.scenario.yaml",
    )
    add("--script", type=Path, metavar="FILE", help="the program that flies the vehicle")
    add("--vehicle", metavar="NAME", help="palm80 (the default), field1400 or a vehicle file")
    add(
        "--from-flight",
        type=Path,
        metavar="FOLDER",
        help="draw the expected path from this flight's folder, or from a tlog file",
    )
    add("--into", type=Path, metavar="DIR", help="where the file goes (the script's folder)")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Asks what is missing, writes the file, and says what to do next. Raises UsageError."""
    from asflown.cli.console import TerminalConsole

    console = TerminalConsole()
    name = _name(options.name or _asked(console, "What is the scenario called? (such as nest-boxes)", "NAME"))
    script = options.script
    if script is None and options.from_flight is None:
        script = Path(_asked(console, "Which file is your script?", "--script FILE")).expanduser()
    return _write(options, name, script, options.vehicle or _vehicle(console, options))


def _write(options: argparse.Namespace, name: str, script: Path | None, vehicle: str) -> int:
    from asflown.cli.drafting import NewRequest, write_new
    from asflown.report.visible import visible
    from asflown.scenario.vehicle_file import load_vehicle

    load_vehicle(vehicle)
    written = write_new(NewRequest(name, script, vehicle, options.from_flight, options.into))
    print(f"{written.file} is written.")
    if written.problem is not None:
        print(written.problem)
    elif not written.link.sure:
        print("How the script takes its link is not known: look at `script:` first.")
    else:
        print(f"Its link: {visible(written.link.because)}.")
    for needed in written.link.also_needed:
        print(f"The script also demands {visible(needed)}: add it to `run`.")
    if options.from_flight is None:
        print("The path in it is an example: replace it with yours.")
    print(f"Next:\n  asflown check {written.file}\n  asflown fly {written.file}")
    return 0


def _asked(console: TerminalConsole, question: str, flag: str) -> str:
    """A person's answer. Raises UsageError naming the flag where nobody can be asked, or nothing is said."""
    from asflown.errors import UsageError

    answer = (console.ask(question) or "").strip() if console.is_terminal else ""
    if not answer:
        raise UsageError(f"{flag} is not given", f"Add {flag}; asflown new --help has examples")
    return answer


def _vehicle(console: TerminalConsole, options: argparse.Namespace) -> str:
    """palm80, unless a person who is being asked anyway says otherwise."""
    if not console.is_terminal or (options.name and (options.script or options.from_flight)):
        return "palm80"
    return (console.ask("Which vehicle flies it? (palm80)") or "").strip() or "palm80"


def _name(text: str) -> str:
    from asflown.errors import UsageError

    if _NAME.fullmatch(text):
        return text
    better = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:60]
    remedy = "Use small letters, digits and hyphens" + (f", such as `{better}`" if better else "")
    raise UsageError(f"'{text}' cannot be the name of a scenario", remedy)
