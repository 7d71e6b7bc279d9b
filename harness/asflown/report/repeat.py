"""The command that flies a flight again: every failure, in every report, ends with it."""

from __future__ import annotations

import shlex

from asflown.record.manifest import Manifest


def repeat_line(manifest: Manifest) -> str:
    """The command line for one more flight with the same seed, vehicle and clock.

    The same machine and files then give the same bytes when the flight ran in lockstep; for a paced flight
    the line says that they do not.
    """
    words = ["asflown", "fly", manifest.scenario_file, "--vehicle", manifest.vehicle.name]
    words += ["--flights", "1", "--seed", str(manifest.seed)]
    if manifest.clock.asked != "any":
        words += ["--clock", manifest.clock.asked]
    line = shlex.join(words)
    return line if manifest.clock.deterministic else f"{line}  # paced: not bit-identical"
