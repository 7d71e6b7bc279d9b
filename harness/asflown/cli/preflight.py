"""`asflown vehicle preflight`: the simulation first, then every item measured on the vehicle."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.flight.preflight import Preflight

DESCRIPTION = """\
Looks whether a real vehicle may fly a scenario: the simulation of this very script, scenario and guard must pass, then
link, battery, position fix, the vehicle's own checks, expected parameters, fence, return height and link-loss failsafe
are measured, in a few seconds. Nothing is changed on the vehicle. Ends with 0 when nothing speaks against flying, with
3 otherwise. `asflown fly` does the same before it flies.
"""


EXAMPLES = """\
examples:
  asflown vehicle preflight workshop-quad --scenario nest-boxes.scenario.yaml
  asflown vehicle preflight workshop-quad --scenario nest-boxes.scenario.yaml --json preflight.json
"""


def add_parser(subcommands: SubParsers) -> None:
    """Adds `preflight` to `asflown vehicle`."""
    says = "look whether a real vehicle may fly a scenario"
    parser = command(subcommands, "preflight", says, DESCRIPTION, EXAMPLES)
    add = parser.add_argument
    add("name", metavar="NAME", help="a vehicle file of kind airframe or bench, or its name")
    add("--scenario", type=Path, required=True, metavar="FILE", help="the scenario that is to be flown")
    add("--json", type=Path, metavar="FILE", help="write every item as JSON")
    add(
        "--keep", type=Path, metavar="DIR", help="where the simulated flight's folder goes (.asflown/flights)"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Looks at everything. Raises UsageError for wrong files, FlightError when the link cannot be had."""
    from asflown.cli.rehearsal import rehearse
    from asflown.errors import ExitCode
    from asflown.flight.looking import check_is_real, look_at
    from asflown.record.folder import FLIGHTS
    from asflown.report import atomic
    from asflown.scenario.file import load_scenario
    from asflown.scenario.vehicle_file import load_vehicle

    file, loaded = load_vehicle(options.name), load_scenario(options.scenario)
    if options.json is not None:
        atomic.check_writable(options.json)
    check_is_real(file)
    print(f"flying {loaded.scenario.name} in simulation ...", file=sys.stderr, flush=True)
    rehearsal = rehearse(loaded, file, options.keep or FLIGHTS)
    print(f"looking at {file.name} at {file.link} ...", file=sys.stderr, flush=True)
    found = look_at(file, loaded.scenario, rehearsal)
    show(found)
    if options.json is not None:
        said = {"vehicle": file.name, "scenario": loaded.scenario.name, **found.as_json()}
        atomic.write_text(options.json, json.dumps(said, indent=2, ensure_ascii=False) + "\n")
    return int(ExitCode.PASSED if found.passed else ExitCode.NOT_FLOWN)


def show(found: Preflight) -> None:
    """Prints one line for each item, what to do behind those that failed, and what it comes to."""
    from asflown.report.visible import visible

    width = max(len(item.name) for item in found.items)
    for item in found.items:
        print(f"{'ok  ' if item.passed else 'NO  '} {item.name:{width}}  {visible(item.found)}")
        if item.todo:
            print(f"     {'':{width}}  {visible(item.todo)}")
    failed = sum(not item.passed for item in found.items)
    said = "nothing speaks against flying" if not failed else f"{failed} of {len(found.items)} say no"
    print(f"{said}; looked for {found.seconds:.1f} s")
