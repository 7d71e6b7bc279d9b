"""`asflown check`: are the files right? Reads scenario and vehicle files, flies nothing."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.errors import FileProblem

DESCRIPTION = """\
Reads scenario files and vehicle files and says everything that is wrong with them, each mistake with its file,
line and column. Nothing is flown and nothing is written.
"""

EXAMPLES = """\
examples:
  asflown check scenarios                       everything below a folder
  asflown check my.scenario.yaml                one file
  asflown check --schema vehicle > vehicle.json the JSON Schema of vehicle files, for an editor
  asflown check --schema report                 the JSON Schema of what `asflown fly --json` writes
  asflown check --surface                       what a script may use in lockstep
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `check` to the command."""
    parser = command(
        commands, "check", "say what is wrong with scenario and vehicle files", DESCRIPTION, EXAMPLES
    )
    parser.add_argument(
        "paths",
        nargs="*",
        type=Path,
        metavar="PATH",
        help="a scenario or vehicle file, or a folder with some below",
    )
    parser.add_argument(
        "--schema",
        nargs="?",
        const="scenario",
        choices=("scenario", "vehicle", "report"),
        help="print the JSON Schema of scenario files (or of vehicle files, or of JSON reports) instead",
    )
    parser.add_argument(
        "--surface",
        action="store_true",
        help="print what a script may use in lockstep, and what makes it fly in wall time, instead",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Checks the files, or prints a schema; returns the exit code. Raises UsageError for paths that are none."""
    from asflown.errors import UsageError

    if options.schema is not None:
        return _print_schema(options)
    if options.surface:
        return _print_surface()
    if not options.paths:
        raise UsageError("there is nothing to check", "Name a file or a folder: `asflown check scenarios`")
    return _check_all(options.paths)


def _print_schema(options: argparse.Namespace) -> int:
    import json

    from asflown.errors import ExitCode, UsageError
    from asflown.report.document_model import report_schema
    from asflown.scenario.schema import json_schema

    if options.paths:
        raise UsageError("--schema checks no files", "Leave the paths out, or --schema")
    schema = report_schema() if options.schema == "report" else json_schema(options.schema)
    print(json.dumps(schema, indent=2))
    return ExitCode.PASSED


def _print_surface() -> int:
    from asflown.clock.surface import page
    from asflown.errors import ExitCode

    print(page(), end="")
    return ExitCode.PASSED


def _check_all(paths: list[Path]) -> int:
    from asflown.errors import ExitCode
    from asflown.scenario import file, vehicle_file

    files = file.find_files(paths, (file.SUFFIX, vehicle_file.SUFFIX))
    wrong = 0
    for path in files:
        problems = _problems_of(path)
        wrong += bool(problems)
        if not problems:
            print(f"{path}: ok")
        for problem in problems:
            print(problem)
    if wrong:
        print(f"{wrong} of {len(files)} files cannot be used")
    return ExitCode.USAGE if wrong else ExitCode.PASSED


def _problems_of(path: Path) -> tuple[FileProblem, ...]:
    from asflown.errors import FileProblem, FileProblems, Position, UsageError

    try:
        _read(path)
    except FileProblems as several:
        return several.problems
    except FileProblem as problem:
        return (problem,)
    except UsageError as problem:
        return (FileProblem(Position(path, 1, 1), problem.problem, problem.remedy),)
    return ()


def _read(path: Path) -> None:
    """Reads a file of either kind, with the script and the radio profile that it names."""
    from asflown.errors import FileProblem, UsageError
    from asflown.link.profile import load_profile
    from asflown.scenario import file, vehicle_file
    from asflown.scenario.script_reading import python_problem

    if path.name.endswith(vehicle_file.SUFFIX):
        vehicle_file.read_vehicle(path)
        return
    loaded = file.load_scenario(path)
    for word in loaded.scenario.script.run[1:]:
        script = loaded.folder / word
        if script.is_file() and (problem := python_problem(script)) is not None:
            raise problem
    try:
        load_profile(loaded.scenario.conditions.radio)
    except FileProblem:
        raise
    except UsageError as problem:
        where = loaded.position("conditions", "radio")
        raise FileProblem(where, problem.problem, problem.remedy) from problem
