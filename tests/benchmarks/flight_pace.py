"""How much faster than real time whole flights are: from spawning the script to the folder closed.

    python -m tests.benchmarks.flight_pace [--scenario NAME] [--threaded] [--busy N] [--flights N]
                                           [--accelerated [FOLDER]]

Prints the pace of each flight and the fastest. `--threaded` gives the script of nest-boxes a thread that receives;
`--busy` lets so many processes spin beside.
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
from pathlib import Path
from typing import Any

from tests.flights.test_lockstep import busy_machine

TOP = Path(__file__).parents[2]
ACCELERATED = TOP / ".accelerated"
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


def paces(
    scenario: str = "nest_boxes",
    *,
    threaded: bool = False,
    busy: int = 0,
    flights: int = 5,
    accelerated: Path | None = None,
) -> list[float]:
    """Flight seconds for each wall second, flight by flight. Raises RuntimeError when one did not pass in lockstep."""
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
            report = _flown(place, folder, flights, accelerated)
    for flight in report["flights"]:
        if flight["verdict"] != "pass" or flight["clock"] != "lockstep":
            raise RuntimeError(f"a flight of {scenario} is not what was to be measured: {flight}")
    return [float(flight["pace"]) for flight in report["flights"]]


def _flown(place: Path, folder: Path, flights: int, accelerated: Path | None) -> dict[str, Any]:
    """The report of so many flights, all of seed 1 and on."""
    environment = dict(os.environ)
    if accelerated is not None:
        environment["PYTHONPATH"] = str(accelerated)
    argv = [sys.executable, "-m", "asflown", "fly", str(place), "--flights", str(flights), "--seed", "1"]
    argv += ["--keep", str(folder / "flights"), "--json", str(folder / "report.json")]
    done = subprocess.run(argv, env=environment, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(argv)} gave {done.returncode}:\n{done.stderr}{done.stdout}")
    report: dict[str, Any] = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    return report


def main() -> None:
    """Measures and prints."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--scenario", default="nest_boxes")
    parser.add_argument("--threaded", action="store_true")
    parser.add_argument("--busy", type=int, default=0)
    parser.add_argument("--flights", type=int, default=5)
    parser.add_argument("--accelerated", type=Path, nargs="?", const=ACCELERATED)
    options = parser.parse_args()
    found = paces(
        options.scenario,
        threaded=options.threaded,
        busy=options.busy,
        flights=options.flights,
        accelerated=options.accelerated,
    )
    print(" ".join(f"{pace:.1f}" for pace in found), f"fastest {max(found):.1f}")


if __name__ == "__main__":
    main()
