"""`asflown bisect`: which release, tag, revision or parameter is responsible, by as few flights as that takes."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asflown.cli.parsing import SubParsers

if TYPE_CHECKING:
    from asflown.change.bisect_drive import FlownAsk, Results
    from asflown.change.bisect_questions import Ask, Rates
    from asflown.cli.candidates import Candidates
    from asflown.scenario.file import LoadedScenario
    from asflown.scenario.model import VehicleFile

DESCRIPTION = """\
Flies candidates of which the first is good and the last is bad, and halves what lies between.
Flights are noisy: each candidate is flown until a sequential test with stated error rates decides
whether it is bad. An interrupted search goes on where it was: give the same command again.
"""

USAGE = """\
asflown bisect SCENARIO --releases VEHICLE GOOD BAD [options]
       asflown bisect SCENARIO --vehicles NAME NAME ... [options]
       asflown bisect SCENARIO --tags FILE TAG TAG ... [options]
       asflown bisect SCENARIO --revisions GOOD BAD [options]
       asflown bisect SCENARIO --parameters GOOD BAD [options]"""

EXAMPLES = """\
examples:
  asflown bisect scenarios/weir_gauge --releases field1400 r1 r3.8   which build broke it?
  asflown bisect my.scenario.yaml --vehicles a.vehicle.yaml b.vehicle.yaml c.vehicle.yaml
  asflown bisect my.scenario.yaml --tags boxed.vehicle.yaml 1.3 1.4 1.5 1.6
  asflown bisect my.scenario.yaml --revisions v1.2 HEAD              which commit of the script?
  asflown bisect my.scenario.yaml --parameters good.csv bad.csv      which of the changed parameters?

exit codes:
  0 found   2 usage or file error   3 a flight could not be carried out   4 there is nothing to find
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `bisect` to the command."""
    parser = commands.add_parser(
        "bisect",
        usage=USAGE,
        help="which release, revision or parameter is responsible",
        description=DESCRIPTION,
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    add = parser.add_argument
    add("scenario", type=Path, metavar="SCENARIO", help="a *.scenario.yaml file, or a folder with one")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--releases", nargs=3, metavar=("VEHICLE", "GOOD", "BAD"), help="of a built-in vehicle")
    what.add_argument(
        "--vehicles", nargs="+", metavar="NAME", help="vehicles or vehicle files, the good one first"
    )
    what.add_argument(
        "--tags", nargs="+", metavar="FILE TAG", help="a container's vehicle file, then its tags"
    )
    what.add_argument("--revisions", nargs=2, metavar=("GOOD", "BAD"), help="of the script's folder, in git")
    what.add_argument(
        "--parameters",
        nargs=2,
        type=Path,
        metavar=("GOOD", "BAD"),
        help="files of name,value, or flights' folders",
    )
    add("--vehicle", metavar="NAME", help="with --revisions and --parameters, instead of the scenario's own")
    add("--bad-when", metavar="BOUND", help="such as 'cross_track_p95 > 0.6 m'; else: when the flight fails")
    add(
        "--good-rate",
        type=_rate,
        default=0.05,
        metavar="SHARE",
        help="a good one's flights are bad at most so often",
    )
    add(
        "--bad-rate",
        type=_rate,
        default=0.6,
        metavar="SHARE",
        help="a bad one's flights are bad at least so often",
    )
    add("--error", type=_rate, default=0.05, metavar="SHARE", help="chance of a wrong answer (0.05)")
    add("--seed", type=int, default=1, metavar="N", help="the first flight's seed of each candidate (1)")
    add("--clock", choices=("any", "lockstep", "paced"), default="any", help="as for fly")
    add("--keep", type=Path, metavar="DIR", help="where flight folders go (.asflown/flights)")
    add("--state", type=Path, metavar="FILE", help="where results are kept, instead of below .asflown/bisect")
    add("--json", type=Path, metavar="FILE", help="write the answer as JSON")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Searches; returns the exit code. Raises UsageError, FlightError, KeyboardInterrupt: the search then goes on."""
    from asflown.change.bisect_questions import Rates
    from asflown.cli.bad_when import parse
    from asflown.report import atomic

    if options.json is not None:
        atomic.check_writable(options.json)
    is_bad = parse(options.bad_when)
    rates = Rates(options.good_rate, options.bad_rate, options.error)
    loaded = _scenario(options.scenario)
    name, search = _named(options, loaded)
    results = _results(options, name, search)
    candidates = _candidates(options, loaded, results.file.with_name(f"{results.file.name}.work"))
    return _search(options, candidates, results, rates, is_bad)


def _scenario(place: Path) -> LoadedScenario:
    from asflown.errors import UsageError
    from asflown.scenario.file import find_scenarios, load_scenario

    files = find_scenarios((place,))
    if len(files) != 1:
        raise UsageError(f"{place} holds {len(files)} scenarios", "A search flies one: name its file")
    return load_scenario(files[0])


def _named(options: argparse.Namespace, loaded: LoadedScenario) -> tuple[str, dict[str, Any]]:
    """What is searched, as plain data, and a name that is its own."""
    import hashlib
    import json

    search: dict[str, Any] = {
        "scenario": loaded.scenario.name,
        "scenario_sha256": hashlib.sha256(loaded.file.read_bytes()).hexdigest(),
        "bad_when": options.bad_when or "the flight fails",
        "rates": [options.good_rate, options.bad_rate, options.error],
        "seed": options.seed,
        "clock": options.clock,
        "vehicle": options.vehicle,
    }
    for what in ("releases", "vehicles", "tags", "revisions"):
        search[what] = getattr(options, what)
    if options.parameters is not None:
        search["parameters"] = [_text(file) for file in options.parameters]
    digest = hashlib.sha256(json.dumps(search, sort_keys=True).encode()).hexdigest()[:10]
    return f"{loaded.scenario.name}-{digest}", search


def _text(file: Path) -> str:
    from asflown.cli.candidates import parameters_in

    return ";".join(f"{name}={value!r}" for name, value in sorted(parameters_in(file).items()))


def _results(options: argparse.Namespace, name: str, search: dict[str, Any]) -> Results:
    from asflown.change.bisect_drive import Results

    return Results(options.state or Path(".asflown") / "bisect" / f"{name}.json", search)


def _candidates(options: argparse.Namespace, loaded: LoadedScenario, work: Path) -> Candidates:
    from asflown.cli import candidates as kinds
    from asflown.errors import UsageError
    from asflown.scenario.vehicle_file import load_vehicle

    if options.vehicles is not None:
        return kinds.Vehicles(loaded, tuple(options.vehicles))
    if options.releases is not None:
        return kinds.Vehicles(loaded, _releases(*options.releases))
    if options.tags is not None:
        if len(options.tags) < 3:
            raise UsageError(
                "--tags needs a vehicle file and two tags or more", "Write --tags FILE GOOD ... BAD"
            )
        return kinds.Tags(loaded, load_vehicle(options.tags[0]), tuple(options.tags[1:]))
    vehicle = _vehicle(loaded, options.vehicle)
    if options.revisions is not None:
        names = kinds.revisions_between(loaded, *options.revisions)
        return kinds.Revisions(loaded, vehicle, options.vehicle, names, work)
    return kinds.parameter_changes(loaded, vehicle, options.parameters, work)


def _vehicle(loaded: LoadedScenario, asked: str | None) -> VehicleFile:
    from asflown.errors import UsageError
    from asflown.scenario.vehicle_file import load_vehicle

    if asked is not None:
        return load_vehicle(asked)
    if loaded.scenario.vehicle is None:
        raise UsageError(f"{loaded.file} names no vehicle", "Add --vehicle NAME")
    return load_vehicle(loaded.scenario.vehicle, loaded.folder)


def _releases(vehicle: str, good: str, bad: str) -> tuple[str, ...]:
    """`palm80@r1` ... `palm80@r3.8`. Raises UsageError for releases out of order, or not between r1 and r3."""
    from asflown.errors import UsageError
    from asflown.sim.releases import HISTORY

    if good not in HISTORY or bad not in HISTORY or HISTORY.index(good) >= HISTORY.index(bad):
        raise UsageError(
            f"releases {good} and {bad} are not an older and a newer one",
            f"In order there are: {', '.join(HISTORY)}. Others: --vehicles {vehicle}@{good} ... {vehicle}@{bad}",
        )
    between = HISTORY[HISTORY.index(good) : HISTORY.index(bad) + 1]
    return tuple(f"{vehicle}@{release}" for release in between)


def _search(
    options: argparse.Namespace, candidates: Candidates, results: Results, rates: Rates, is_bad: Any
) -> int:
    from asflown.change.bisect import first_bad
    from asflown.change.bisect_drive import drive
    from asflown.change.delta import responsible
    from asflown.cli.search_flights import Flights
    from asflown.errors import ExitCode
    from asflown.record.folder import FLIGHTS
    from asflown.report import search_view, terminal

    out = terminal.console()
    if results.flown:
        out.print(f"going on after {len(results.flown)} flights in {results.file}", soft_wrap=True)
    with Flights(candidates, options.clock, options.keep or FLIGHTS, is_bad) as flights:

        def tell(ask: Ask, one: FlownAsk, known: bool) -> None:
            search_view.show_flight(ask, one, known=known, out=out)

        if options.parameters is not None:
            changed = drive(responsible(candidates.names, rates, options.seed), results, flights.fly, tell)
            found, data = not changed.problem, search_view.show_responsible(changed, candidates.names, out)
        else:
            first = drive(first_bad(candidates.names, rates, options.seed), results, flights.fly, tell)
            found, data = first.found, search_view.show_first_bad(first, candidates.names, out)
    if options.json is not None:
        _write(options.json, data)
    return int(ExitCode.PASSED if found else ExitCode.INCONCLUSIVE)


def _write(file: Path, data: dict[str, Any]) -> None:
    import json

    from asflown.report import atomic

    atomic.write_text(file, json.dumps(data, indent=2) + "\n")


def _rate(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is no share between 0 and 1, such as 0.05")
    return value
