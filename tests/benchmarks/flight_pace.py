"""How much faster than real time whole flights are: from spawning the script to the folder closed.

    python -m tests.benchmarks.flight_pace [--scenario NAME] [--threaded] [--busy N] [--flights N]
                                           [--accelerated [FOLDER]]

Flies in a process of its own, after one flight that warms up, and steps the bare JSBSim of the same airframe through
the same flight time by turns. Prints the pace of each flight, the fastest, and its share of the bare plant's.
`--threaded` gives the script of nest-boxes a thread that receives; `--busy` lets so many processes spin beside.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any, Literal

from tests.benchmarks.compiled_build import ACCELERATED
from tests.flights.test_lockstep import busy_machine

if TYPE_CHECKING:
    from asflown.record.manifest import Manifest

TOP = Path(__file__).parents[2]
STEPS_PER_S = 400
THREADED = '''"""nest_boxes.py with a thread of its own that receives, and a queue between the two."""
import queue
import threading

import nest_boxes
from pymavlink import mavutil


class Receiving:
    """A connection that is read by a thread."""

    def __init__(self, *args, **named):
        self._link, self._queue = connect(*args, **named), queue.Queue()
        self.mav = self._link.mav
        threading.Thread(target=self._read, daemon=True).start()

    @property
    def target_system(self):
        return self._link.target_system

    @property
    def target_component(self):
        return self._link.target_component

    def _read(self):
        while True:
            message = self._link.recv_match(blocking=True)
            if message is not None:
                self._queue.put(message)

    def recv_match(self, type, blocking, timeout):
        try:
            while True:
                message = self._queue.get(timeout=timeout)
                if message.get_type() == type:
                    return message
        except queue.Empty:
            return None


connect, mavutil.mavlink_connection = mavutil.mavlink_connection, Receiving
nest_boxes.main()
'''


@dataclass(frozen=True)
class Paces:
    """Flights of one scenario by one build: seconds of wall time for each second of flight."""

    flights_s: list[float]
    bare_s: list[float]
    """The same of the bare plant, measured after each flight."""
    flight_time_s: float

    @property
    def fastest(self) -> float:
        """Flight seconds for each wall second."""
        return 1 / min(self.flights_s)

    @property
    def bare(self) -> float:
        """The same of the bare plant."""
        return 1 / min(self.bare_s)


def paces(
    scenario: str = "nest_boxes",
    *,
    threaded: bool = False,
    busy: int = 0,
    flights: int = 5,
    accelerated: Path | None = None,
) -> Paces:
    """Measures in a process of its own. Raises RuntimeError when a flight did not pass in lockstep."""
    with tempfile.TemporaryDirectory(prefix="asflown-pace-") as name:
        folder = Path(name)
        place = TOP / "scenarios" / scenario
        if threaded:
            place = Path(shutil.copytree(place, folder / scenario))
            (place / "threaded.py").write_text(THREADED, encoding="utf-8")
            for file in place.glob("*.scenario.yaml"):
                text = file.read_text(encoding="utf-8")
                file.write_text(
                    text.replace("[python, nest_boxes.py", "[python, threaded.py"), encoding="utf-8"
                )
        with busy_machine(busy) if busy else contextlib.nullcontext():
            return _measured(place, folder, flights, accelerated or TOP / "harness")


def _measured(place: Path, folder: Path, flights: int, package: Path) -> Paces:
    """By the build whose package lies in `package`."""
    environment = {**os.environ, "PYTHONPATH": f"{package}{os.pathsep}{TOP}"}
    argv = [sys.executable, "-m", "tests.benchmarks.flight_pace", "--measure", str(place)]
    argv += ["--flights", str(flights)]
    done = subprocess.run(argv, env=environment, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(argv)} gave {done.returncode}:\n{done.stderr}{done.stdout}")
    return Paces(**json.loads(done.stdout.splitlines()[-1]))


@contextmanager
def demo(
    place: Path, clock: Literal["lockstep", "paced"] = "lockstep"
) -> Iterator[Callable[[int], Manifest]]:
    """A function that flies what is in `place` by a seed, in this process; raises RuntimeError unless it passes."""
    from asflown.flight.conductor import fly
    from asflown.flight.plan import FlightPlan
    from asflown.grade.grade import grade_flight
    from asflown.scenario.file import load_scenario
    from asflown.scenario.vehicle_file import load_vehicle

    (file,) = place.glob("*.scenario.yaml")
    loaded = load_scenario(file)
    assert loaded.scenario.vehicle is not None
    vehicle = load_vehicle(loaded.scenario.vehicle, loaded.folder)

    with tempfile.TemporaryDirectory(prefix="asflown-flights-") as keep:

        def by_seed(seed: int) -> Manifest:
            result = fly(FlightPlan(loaded, vehicle, seed, clock, Path(keep)), lambda _: None)
            grade = grade_flight(result.folder, loaded.scenario)
            if grade.verdict != "pass":
                raise RuntimeError(f"a flight of {file} is not what was to be measured: {grade.reason}")
            return result.manifest

        yield by_seed


def measure(place: Path, flights: int) -> Paces:
    """Flies the scenario in `place` by seeds from 1 on, in this process, and steps the bare plant by turns."""
    flights_s, bare_s, time_s = [], [], 0.0
    with demo(place) as fly:
        bare = bare_plant(fly(1).vehicle.name.partition("@")[0])
        for seed in range(1, flights + 1):
            manifest = fly(seed)
            time_s = manifest.flight_time_s or 0.0
            begin = perf_counter()
            bare(round(time_s * STEPS_PER_S))
            bare_s.append((perf_counter() - begin) / time_s)
            flights_s.append(manifest.wall_time_s / time_s)
    return Paces(flights_s, bare_s, time_s)


def bare_plant(airframe: str) -> Any:
    """A function that steps JSBSim alone so many times, up in the air."""
    from asflown.scenario.model import Start
    from asflown.sim.airframe import AIRFRAMES
    from asflown.sim.plant import Plant

    plant = Plant(airframe, Start(), AIRFRAMES[airframe].rest_height_m)

    def step(count: int) -> None:
        plant.write("ic/h-agl-ft", 30_000.0)
        plant._fdm.run_ic()
        plant.step((0.62, 0.62, 0.62, 0.62))
        run = plant._fdm.run
        for _ in range(count):
            run()

    return step


def main() -> None:
    """Measures and prints."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scenario", default="nest_boxes")
    parser.add_argument("--threaded", action="store_true")
    parser.add_argument("--busy", type=int, default=0)
    parser.add_argument("--flights", type=int, default=5)
    parser.add_argument("--accelerated", type=Path, nargs="?", const=ACCELERATED)
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure is not None:
        print(json.dumps(measure(options.measure, options.flights).__dict__))
        return
    found = paces(
        options.scenario,
        threaded=options.threaded,
        busy=options.busy,
        flights=options.flights,
        accelerated=options.accelerated,
    )
    each = " ".join(f"{1 / one:.1f}" for one in found.flights_s)
    print(f"{each} fastest {found.fastest:.1f}, {found.fastest / found.bare:.3f} of the bare plant")


if __name__ == "__main__":
    main()
