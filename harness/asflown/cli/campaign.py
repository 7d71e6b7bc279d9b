"""`asflown campaign`: many flights of one scenario over varied conditions."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli.parsing import SubParsers, add_quiet, command, count

if TYPE_CHECKING:
    from asflown.campaign.findings import Findings
    from asflown.campaign.flying import Outcome
    from asflown.scenario.file import LoadedScenario

DESCRIPTION = """\
Flies a scenario many times, each flight with other conditions as its `campaign:` says, and tells how likely a flight
passes, which conditions drive failure, and which flights to look at. A campaign that was interrupted goes on where it
was when the same command is given again.
"""

EXAMPLES = """\
in the scenario file:
  campaign:
    flights: 200
    vary:
      conditions.wind.speed: {uniform: [0 m/s, 6 m/s]}
      conditions.wind.from: {uniform: [0 deg, 360 deg]}
      start.battery: {normal: {mean: 90 %, deviation: 5 %, between: [60 %, 100 %]}}
      conditions.radio: {choice: [ideal, sub-ghz-telemetry]}
    stop: {share: 95 %, against: 85 %}      # optional: end as soon as this is clear

examples:
  asflown campaign windy.scenario.yaml --workers 2
  asflown campaign windy.scenario.yaml --scheduler tcp://127.0.0.1:8786
  asflown fly windy.scenario.yaml --given "conditions.wind.speed=4.2 m/s" --seed 7 --flights 1

exit codes: 0 all passed, or clearly enough (`stop:`); 1 not; 4 not clear; 3 when flights could not be flown
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `campaign` to the command."""
    parser = command(
        commands, "campaign", "fly a scenario many times over varied conditions", DESCRIPTION, EXAMPLES
    )
    add = parser.add_argument
    add("scenario", type=Path, metavar="FILE", help="a scenario with a `campaign:`")
    add(
        "--vehicle", metavar="NAME", help="palm80, field1400 or a vehicle file, instead of the scenario's own"
    )
    add("--workers", type=count, default=1, metavar="N", help="processes of this machine")
    add("--scheduler", metavar="URL", help="fly on a Dask cluster instead (pip install 'asflown[cluster]')")
    add(
        "--keep-flights",
        choices=("all", "failed", "none"),
        default="failed",
        help="which leave their folder behind",
    )
    add("--into", type=Path, metavar="DIR", help="the campaign's folder (.asflown/campaigns/...)")
    add("--json", type=Path, metavar="FILE", help="write every flight and number as JSON")
    add_quiet(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Flies what is not done yet, and reports. Raises UsageError, FileProblem and FolderProblem."""
    from asflown.campaign.campaign import (
        CAMPAIGNS,
        campaign_of,
        clear,
        fly_campaign,
        folder_of,
        stopping_plan,
    )
    from asflown.campaign.findings import find
    from asflown.campaign.page import write_page
    from asflown.campaign.store import Store
    from asflown.cli.many import board_of_many, executor_of
    from asflown.scenario.file import load_scenario

    loaded = load_scenario(options.scenario)
    campaign = campaign_of(loaded)
    vehicle = simulated(loaded, options.vehicle)
    folder = options.into or folder_of(loaded, vehicle, CAMPAIGNS)
    with board_of_many(quiet=options.quiet) as shown:
        executor = executor_of(options.workers, options.scheduler, shown)
        done = fly_campaign(loaded, vehicle, executor, Store(folder), keeping=options.keep_flights)
    outcomes = list(done.values())
    found = find(outcomes)
    decided = clear({number: one.verdict for number, one in done.items()}, stopping_plan(campaign))
    answer, code = _answer(found, decided, sequential=campaign.stop is not None)
    page = write_page(folder / "page", loaded.scenario.name, vehicle, outcomes, found, answer)
    _show(found, answer, page)
    if options.json is not None:
        _write(options.json, outcomes, found, answer)
    return code


def simulated(loaded: LoadedScenario, asked: str | None) -> str:
    """The vehicle of many flights. Raises UsageError for none, and for one that is not simulated here."""
    from asflown.errors import UsageError
    from asflown.scenario.vehicle_file import load_vehicle

    vehicle = asked or loaded.scenario.vehicle
    if vehicle is None:
        raise UsageError(f"{loaded.file} names no vehicle", "Say which one flies it: --vehicle palm80")
    if load_vehicle(vehicle, loaded.folder).kind != "built-in":
        raise UsageError(f"{vehicle} is not simulated here", "Campaigns are for palm80 and field1400")
    return vehicle


def _answer(found: Findings, decided: str | None, *, sequential: bool) -> tuple[str, int]:
    """The answer in words, and the exit code."""
    if found.flights == 0:
        return "no flight could be flown", 3
    if sequential:
        words = {"accept": "enough flights pass: clear", "reject": "not enough flights pass: clear"}
        said = words.get(
            decided or "", "whether enough flights pass is not clear yet: more flights would tell"
        )
        return f"{said}, after {found.flights} flights", {"accept": 0, "reject": 1}.get(decided or "", 4)
    if found.passed < found.flights:
        return f"{found.flights - found.passed} of {found.flights} flights failed", 1
    return f"all {found.flights} flights passed", 3 if found.errors else 0


def _show(found: Findings, answer: str, page: Path) -> None:
    from asflown.report import words

    print(answer)
    if found.pass_share is not None:
        share = found.pass_share
        print(f"pass probability {share.low:.1%} to {share.high:.1%} ({share.confidence:.0%} confidence)")
    if found.errors:
        print(f"{found.errors} could not be flown, and count in nothing")
    for line in found.questions:
        print(f"  {line}")
    for driver in [one for one in found.drivers if one.p_value < 0.05][:5]:
        how = "" if driver.correlation is None else f", rank correlation {driver.correlation:+.2f}"
        print(f"  {driver.name} matters{how} (p {driver.p_value:.2g})")
    for one in found.worst[:3]:
        given = ", ".join(f"{key} {value}" for key, value in one.given.items())
        print(f"  worst margin {words.margin(one.worst)}: flight {one.number}, {given}")
        if one.folder:
            print(f"    recorded in {one.folder}")
    print(f"page: {page}")


def _write(path: Path, outcomes: list[Outcome], found: Findings, answer: str) -> None:
    import json
    from dataclasses import asdict

    from asflown.report import atomic

    document = {
        "schema_version": 1, "answer": answer, "findings": asdict(found), "flights": [asdict(one) for one in outcomes],
    }  # fmt: skip
    atomic.write_text(path, json.dumps(document, indent=1) + "\n")
