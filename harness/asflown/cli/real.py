"""What `asflown fly` does before a real vehicle flies: one at a time, rehearsed in simulation, and asked about."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from asflown.cli.console import TerminalConsole
from asflown.cli.planning import Subject
from asflown.cli.preflight import show
from asflown.cli.rehearsal import rehearse
from asflown.errors import UsageError
from asflown.flight.operator import Operator
from asflown.flight.preflight import Preflight
from asflown.scenario.file import LoadedScenario
from asflown.scenario.model import VehicleFile

WITHOUT_FLIGHT = frozenset({"link_loss", "stick_age", "battery_used"})
"""Measures that mean something where nothing flies."""
SHORTEST_REASON = 10
"""Letters and digits: enough for a person to have thought."""


def made_ready(
    subjects: tuple[Subject, ...], workers: int, keep: Path, *, prove: bool
) -> tuple[Subject, ...]:
    """The subjects, those with a real vehicle rehearsed.

    Raises UsageError for what cannot be asked of one, FlightError when nobody is there to confirm.
    """
    return tuple(_one(subject, workers, keep, prove) for subject in subjects)


def _one(subject: Subject, workers: int, keep: Path, prove: bool) -> Subject:
    vehicle = subject.vehicle
    if vehicle.kind not in {"airframe", "bench"}:
        return subject
    if workers > 1:
        raise UsageError(
            f"{vehicle.name} is one {vehicle.kind}, and --workers asks for {workers} flights at the same time",
            "Leave --workers out",
        )
    if prove:
        raise UsageError(f"no flight of {vehicle.name} is ever repeated bit by bit", "Leave --prove out")
    check_bench(subject.loaded, vehicle)
    operator = Operator(TerminalConsole())
    operator.check_there(vehicle)
    subject = replace(subject, operator=operator)
    if vehicle.kind == "bench" and vehicle.simulates is None:
        return subject  # nothing flies there
    sys.stderr.write(f"{subject.loaded.scenario.name}: flying its simulation first ...\n")
    return replace(subject, rehearsal=rehearse(subject.loaded, vehicle, keep), override=ask_for_reason)


def check_bench(loaded: LoadedScenario, vehicle: VehicleFile) -> None:
    """Raises UsageError for a path or measures of flight where nothing moves: a bench without physics."""
    if vehicle.kind != "bench" or vehicle.physics != "none":
        return
    expect, remedy = loaded.scenario.expect, "Give it simulated physics, or fly another scenario there"
    why = f"{vehicle.name} is a bench without physics (`physics: none`): nothing moves there"
    if expect.path is not None:
        raise UsageError(f"{loaded.file} expects a path, and {why}", remedy)
    moving = [name for name in expect.measures if name not in WITHOUT_FLIGHT]
    if moving:
        raise UsageError(f"{loaded.file} limits {', '.join(moving)}, and {why}", remedy)


def ask_for_reason(found: Preflight) -> str:
    """Shows what preflight found and asks for the reason to fly in spite of it; '' where nobody types one."""
    show(found)
    console = TerminalConsole()
    if not console.is_terminal:
        return ""
    question = "Type the reason to fly in spite of this (it is recorded), or press Enter not to fly:"
    reason = " ".join(word for word in (console.ask(question) or "").split() if word.isprintable())
    return reason if sum(letter.isalnum() for letter in reason) >= SHORTEST_REASON else ""
