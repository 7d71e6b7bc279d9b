"""The command that flies a flight again, or grades it again: every failure, in every report, ends with it."""

from __future__ import annotations

import shlex

from asflown.record.manifest import Manifest
from asflown.report.flown import Flown

UNKNOWN_KIND = "unknown"
"""The kind of vehicle of a capture that was recorded by something else."""
FIRST_RELEASE = "r1"
"""What a built-in vehicle's name means without `@`."""


def again(flown: Flown) -> str:
    """The command that shows a flight's result once more: flies it, or grades a capture that nobody here can fly."""
    if flown.manifest.vehicle.kind != UNKNOWN_KIND:
        return repeat_line(flown.manifest)
    return shlex.join(["asflown", "grade", str(flown.folder), "--scenario", flown.manifest.scenario_file])


def repeat_line(manifest: Manifest) -> str:
    """The command line for one more flight with the same seed, vehicle and clock.

    The same machine and files then give the same bytes when the flight ran in lockstep; for a paced flight
    the line says that they do not.
    """
    words = ["asflown", "fly", manifest.scenario_file]
    if (vehicle := _vehicle(manifest)) is not None:
        words += ["--vehicle", vehicle]
    words += ["--flights", "1", "--seed", str(manifest.seed)]
    if manifest.clock.asked != "any":
        words += ["--clock", manifest.clock.asked]
    line = shlex.join(words)
    return line if manifest.clock.deterministic else f"{line}  # paced: not bit-identical"


def _vehicle(manifest: Manifest) -> str | None:
    """How to name the vehicle again; None for one that only the scenario knows how to find."""
    flown = manifest.vehicle
    if manifest.vehicle_asked is not None:
        return manifest.vehicle_asked
    if flown.airframe is None or flown.airframe != flown.name:
        return None
    return flown.name if flown.release in {None, FIRST_RELEASE} else f"{flown.name}@{flown.release}"
