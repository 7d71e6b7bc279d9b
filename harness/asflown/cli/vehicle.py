"""`asflown vehicle`: lists vehicles, shows what a built-in one can do, serves it in real time to any MAVLink client."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from asflown.cli import calibrating, preflight
from asflown.cli.parsing import SubParsers, command

if TYPE_CHECKING:
    from asflown.scenario.model import Conditions, Start, VehicleFile

DESCRIPTION = """\
What flies: the built-in vehicles, and those that a vehicle file describes (a container, a bench rig, an airframe).
"""

EXAMPLES = """\
examples:
  asflown vehicle list                                    which there are
  asflown vehicle show palm80                             what a built-in one can do
  asflown vehicle serve palm80                            one in real time, for any MAVLink client
  asflown vehicle preflight workshop-quad --scenario nest-boxes.scenario.yaml
                                                          may a real one fly this?
"""

LIST_DESCRIPTION = """\
Lists the vehicles that can be named on the command line: the built-in ones, and vehicle files in the folder and
in its folder `vehicles`.
"""

LIST_EXAMPLES = """\
examples:
  asflown vehicle list              the built-in ones, and vehicle files here
  asflown vehicle list scenarios    those of another folder
"""

SHOW_DESCRIPTION = """\
Prints what a built-in vehicle can do, each figure derived from the airframe's numbers: hover throttle, climb, top
speed, endurance and what they follow from; and the numbers of its modes.
"""

SHOW_EXAMPLES = """\
examples:
  asflown vehicle show palm80
  asflown vehicle show field1400@r1     of a release that is named
"""

SERVE_DESCRIPTION = """\
Serves a built-in vehicle in real time, so that any MAVLink client can fly it: a script started by hand, a ground
station, a program in another language. It flies until Ctrl-C.
"""

SERVE_EXAMPLES = """\
examples:
  asflown vehicle serve palm80 --listen udp-listen://127.0.0.1:14560   clients dial this port
  asflown vehicle serve palm80 --listen udp://127.0.0.1:14550          the vehicle dials a client's port
  asflown vehicle serve field1400 --listen pty:///tmp/field1400        a serial port at that path
  asflown vehicle serve palm80 --listen tcp-listen://127.0.0.1:5790 --wind "6 m/s" --wind-from "240 deg"

Whoever reaches the link flies the vehicle: MAVLink asks nobody who they are. Without a host a link stays on
this machine.
"""

SWEEP_DESCRIPTION = """\
Removes containers and networks of flights whose process is gone; the next flight does so, too.
"""

SWEEP_EXAMPLES = """\
examples:
  asflown vehicle sweep     after a run was killed; those of flights that go on stay
"""

DEFAULT_LISTEN = "udp-listen://127.0.0.1:14560"


def add_parser(commands: SubParsers) -> None:
    """Adds `vehicle` to the command."""
    parser = command(commands, "vehicle", "list vehicles, or serve one to any client", DESCRIPTION, EXAMPLES)
    subcommands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_list(subcommands)
    _add_show(subcommands)
    _add_serve(subcommands)
    preflight.add_parser(subcommands)
    calibrating.add_parser(subcommands)
    _add_sweep(subcommands)


def run(options: argparse.Namespace) -> int:
    """Lists or serves; returns the exit code."""
    return int(options.run(options))


def run_list(options: argparse.Namespace) -> int:
    """Prints one line for each vehicle. Raises FileProblem for a vehicle file that is wrong."""
    from asflown.scenario.vehicle_file import known_vehicles, load_vehicle

    vehicles = [load_vehicle(name, options.folder) for name in known_vehicles(options.folder)]
    width = max(len(vehicle.name) for vehicle in vehicles)
    for vehicle in vehicles:
        print(f"{vehicle.name:{width}}  {_says(vehicle)}")
    return 0


def run_show(options: argparse.Namespace) -> int:
    """Prints what a built-in vehicle can do. Raises VehicleProblem for one that is not built in."""
    from asflown.errors import VehicleProblem
    from asflown.scenario.vehicle_file import load_vehicle
    from asflown.sim.airframe import airframe_named
    from asflown.sim.identity import ModeName, Numbering
    from asflown.sim.sheet import figures

    vehicle = load_vehicle(options.name)
    if vehicle.kind != "built-in":
        raise VehicleProblem(
            f"{vehicle.name} is not a built-in vehicle, so asflown does not know what it can do",
            "Show palm80 or field1400.",
        )
    print(f"{vehicle.name} ({_says(vehicle)}), derived at standard sea level:")
    for figure in figures(airframe_named(vehicle.airframe or vehicle.name)):
        print(f"  {figure.name:26} {figure.value:8.3g} {figure.unit:5} {figure.formula}")
    print("its modes, as a script asks for them (MAV_CMD_DO_SET_MODE, parameter 2) and HEARTBEAT tells them:")
    numbering = Numbering(vehicle.identity)
    for mode in ModeName:
        print(f"  {mode.value:26} {numbering.number(mode):8}")
    print("  Does your script expect other numbers? `identity: {modes: ...}` of a vehicle file has them.")
    return 0


def run_serve(options: argparse.Namespace) -> int:
    """Serves until Ctrl-C or SIGTERM. Raises what `vehicle.serve.serve` raises."""
    from asflown.scenario.vehicle_file import load_vehicle
    from asflown.vehicle.serve import Service, serve

    vehicle = load_vehicle(options.name)
    if options.release is not None:
        vehicle = vehicle.model_copy(update={"release": options.release})
    start, conditions = _start(options), _conditions(options)
    service = Service(
        vehicle, options.listen, start, conditions, options.seed, options.radio, options.hil, options.pace
    )

    def on_ready(link: str) -> None:
        print(f"{vehicle.name} ({_says(vehicle)}) is served at {link}; Ctrl-C ends it", flush=True)

    return 128 + serve(service, on_ready)


def run_sweep(_options: argparse.Namespace) -> int:
    """Removes what killed runs left at the container engine. Raises VehicleProblem when none answers."""
    from asflown.vehicle.engine import Engine

    removed = Engine().sweep()
    print("\n".join(f"removed {name}" for name in removed) or "nothing was left behind")
    return 0


def _add_sweep(subcommands: SubParsers) -> None:
    says = "remove containers and networks that killed runs left behind"
    parser = command(subcommands, "sweep", says, SWEEP_DESCRIPTION, SWEEP_EXAMPLES)
    parser.set_defaults(run=run_sweep)


def _add_list(subcommands: SubParsers) -> None:
    parser = command(subcommands, "list", "the vehicles that can be named", LIST_DESCRIPTION, LIST_EXAMPLES)
    parser.add_argument(
        "folder", nargs="?", type=Path, default=Path(), metavar="FOLDER", help="where to look (here)"
    )
    parser.set_defaults(run=run_list)


def _add_show(subcommands: SubParsers) -> None:
    parser = command(subcommands, "show", "what a built-in vehicle can do", SHOW_DESCRIPTION, SHOW_EXAMPLES)
    parser.add_argument("name", metavar="NAME", help="palm80, field1400, palm80@r1, or a vehicle file")
    parser.set_defaults(run=run_show)


def _add_serve(subcommands: SubParsers) -> None:
    parser = command(
        subcommands, "serve", "serve a built-in vehicle in real time", SERVE_DESCRIPTION, SERVE_EXAMPLES
    )
    add = parser.add_argument
    add("name", metavar="NAME", help="palm80, field1400, palm80@r1, or a vehicle file")
    add("--listen", default=DEFAULT_LISTEN, metavar="URL", help=f"the link to serve it on ({DEFAULT_LISTEN})")
    add("--heading", type=_angle, metavar="ANGLE", help='heading before take-off, as "30 deg"')
    add("--battery", type=_share, metavar="SHARE", help='charge at the start, as "80 %%"')
    add("--wind", type=_speed, metavar="SPEED", help='steady wind at 6 m, as "3 m/s"')
    add("--wind-from", type=_angle, metavar="ANGLE", help='where it comes from, as "240 deg"')
    add("--turbulence", choices=("none", "light", "moderate", "severe"), default="none", help="gusts")
    add("--seed", type=_seed, default=1, metavar="N", help="what noise and gusts are drawn from (1)")
    add("--pace", type=_pace, default=1.0, metavar="N", help="fly N times as fast as the wall clock (1)")
    add("--radio", metavar="PROFILE", help="an emulated radio in front of it, as `sub-ghz-telemetry`")
    add(
        "--hil",
        metavar="URL",
        help="serve the flight controller alone: sensors come, and motors go, over this link",
    )
    add("--release", metavar="NAME", help="release of the flight controller, instead of the vehicle's own")
    parser.set_defaults(run=run_serve)


def _says(vehicle: VehicleFile) -> str:
    if vehicle.kind == "built-in":
        same = vehicle.airframe == vehicle.name
        return f"built-in, {'' if same else f'airframe {vehicle.airframe}, '}release {vehicle.release}"
    if vehicle.container is not None:
        return f"container, {vehicle.container.image or f'built in {vehicle.container.build}'}"
    return f"{vehicle.kind}, {vehicle.link or 'no link'}"


def _start(options: argparse.Namespace) -> Start:
    from asflown.scenario.model import Start

    given = {"heading_rad": options.heading, "battery": options.battery}
    return Start(**{name: value for name, value in given.items() if value is not None})


def _conditions(options: argparse.Namespace) -> Conditions:
    from asflown.scenario.model import Conditions, Wind

    wind = Wind(
        speed_m_s=options.wind or 0.0, from_rad=options.wind_from or 0.0, turbulence=options.turbulence
    )
    return Conditions(wind=wind)


def _quantity(text: str, dimension_name: str, low: float, high: float) -> float:
    from asflown.errors import QuantityProblem
    from asflown.units import Dimension, parse_quantity

    try:
        value = parse_quantity(text, Dimension[dimension_name])
    except QuantityProblem as problem:
        raise argparse.ArgumentTypeError(str(problem)) from problem
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"`{text}` is out of range")
    return value


def _angle(text: str) -> float:
    return _quantity(text, "ANGLE", -math.tau, math.tau)


def _speed(text: str) -> float:
    return _quantity(text, "SPEED", 0.0, 40.0)


def _share(text: str) -> float:
    return _quantity(text, "SHARE", 0.0, 1.0)


def _pace(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.1 <= value <= 50:
        raise argparse.ArgumentTypeError(f"`{text}` is not a number from 0.1 to 50")
    return value


def _seed(text: str) -> int:
    if not text.isdecimal() or int(text) >= 2**63:
        raise argparse.ArgumentTypeError(f"`{text}` is not a whole number from 0 to 2^63 - 1")
    return int(text)
