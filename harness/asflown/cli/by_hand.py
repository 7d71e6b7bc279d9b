"""`asflown fly --record-only`: a flight by hand, recorded now and graded later."""

from __future__ import annotations

import sys
from pathlib import Path

from asflown.clock.wall import Stopwatch
from asflown.errors import ExitCode, UsageError
from asflown.flight.by_hand import record_by_hand
from asflown.flight.plan import FlightPlan, Progress
from asflown.record.folder import FLIGHTS
from asflown.report import terminal
from asflown.report.atomic import check_folder_writable
from asflown.report.progress import Moment, board
from asflown.scenario.file import find_scenarios, load_scenario
from asflown.scenario.vehicle_file import load_vehicle


def record(paths: tuple[Path, ...], vehicle: str | None, keep: Path | None) -> int:
    """Records one flight by hand; the exit code. Raises UsageError for more than one scenario, or no vehicle."""
    files = find_scenarios(paths)
    if len(files) != 1:
        raise UsageError(
            f"--record-only records one flight, and there are {len(files)} scenarios", "Name one file"
        )
    loaded = load_scenario(files[0])
    named = vehicle or loaded.scenario.vehicle
    if named is None:
        raise UsageError(f"{loaded.file} names no vehicle", "Say which one you fly: --vehicle FILE")
    file = load_vehicle(named, None if vehicle else loaded.folder)
    place = keep or FLIGHTS
    check_folder_writable(place)
    sys.stderr.write(
        f"recording {file.name} at {file.link}: fly when you are ready; it ends when you have landed\n"
    )
    plan = FlightPlan(loaded, file, 0, "paced", place, vehicle)
    with board(terminal.console(sys.stderr, widest=None)) as shown:
        shown.begin(0, f"{loaded.scenario.name} on {file.name}, by hand", Stopwatch().seconds)

        def show(at: Progress) -> None:
            shown.move(0, Moment(at.phase, at.flight_time_s, at.height_m, at.distance_m))

        result = record_by_hand(plan, show)
        shown.end(0, result.manifest.outcome)
    if result.manifest.outcome != "completed":
        print(f"{result.manifest.problem}; recorded in {result.folder}")
        return int(ExitCode.NOT_FLOWN)
    print(f"recorded in {result.folder}\ngrade it: asflown grade {result.folder}")
    return int(ExitCode.PASSED)
