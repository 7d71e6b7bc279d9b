"""What an attempt is made from, and how its script is started: the same for every kind of vehicle."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from asflown.flight.interpreter import Command
from asflown.flight.plan import FlightPlan
from asflown.flight.script import Launch
from asflown.flight.wiring import ScriptPort


@dataclass(frozen=True, slots=True)
class Attempted:
    """What is flown in this attempt, and where to."""

    plan: FlightPlan
    commands: tuple[Command, ...]
    """The script, and the programs beside it."""
    folder: Path
    """The flight's own: its path marks every process of the flight, since a name alone may be flying elsewhere, too."""
    output: int
    """The descriptor that scripts write their output to."""


def launch_for(attempted: Attempted, port: ScriptPort) -> Launch:
    """How the script is started, told of its `port`."""
    loaded = attempted.plan.loaded
    style = loaded.scenario.script.link.style
    argv, *beside = (port.fill(command.argv, style) for command in attempted.commands)
    mark = str(attempted.folder.resolve())
    return Launch(
        argv,
        tuple(beside),
        loaded.folder,
        mark,
        attempted.output,
        attempted.plan.seed,
        attempted.plan.sandbox,
    )
