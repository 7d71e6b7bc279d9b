"""What the end of a flight means: its outcome, and the sentence that says what is wrong and what to do."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from asflown.errors import FlightError
from asflown.record.manifest import Manifest, Outcome

Ended = Literal["", "exited", "time-limit", "stuck", "killed", "signal"]
Phase = Literal["preparing", "flying", "ending"]
LAST_LINE_CHARACTERS_MAX = 200
_CALL = re.compile(r'File "([^"]+)", line (\d+)')
"""A call in a traceback, as Python words it."""


def outcome(manifest: Manifest, failure: FlightError | None, log: Path) -> tuple[Outcome, str]:
    """Outcome and problem of a flight that was not interrupted; `log` is the script's output.

    A script that ended wrongly after it spoke is a finding about the script; one that never spoke is none.
    """
    script = manifest.script
    if failure is not None:
        return "error", str(failure)
    wrong = _what_went_wrong(manifest, log)
    if not script.frames_sent and (not wrong or script.ended == "time-limit"):
        return "error", (
            "the script never sent anything on its link. Check that `run:` passes {link} to it and that it opens"
            f" that address; its output is in {log.name}"
        )
    return ("script-failed", wrong) if wrong else ("completed", "")


def stuck(reason: str) -> tuple[str, str]:
    """Problem and remedy for a script that got stuck."""
    return (
        f"the script got stuck: {reason}",
        "Look for a loop that neither waits nor reads a clock, or raise ASFLOWN_WATCHDOG_S if it computes that long",
    )


def _what_went_wrong(manifest: Manifest, log: Path) -> str:
    script = manifest.script
    if script.ended == "time-limit":
        return "the script did not end within its time limit. Raise `time_limit`, or see where it waits"
    if script.ended == "killed":
        return "the script wrote more output than is kept. Let it print less"
    if script.exit_code != script.expected_exit_code:
        return (
            f"the script ended with exit code {script.exit_code}, expected {script.expected_exit_code}"
            + _last(log, Path(manifest.scenario_file).absolute().parent)
        )
    return ""


def _last(log: Path, folder: Path) -> str:
    """The last line that the script wrote, which is where Python puts the reason, and where in `folder` it arose."""
    try:
        with log.open("rb") as file:
            file.seek(max(0, log.stat().st_size - 4096))
            lines = file.read().decode("utf-8", "replace").split("\n")
    except OSError:
        return ""
    said = [line.strip() for line in lines if line.strip()]
    if not said:
        return ""
    most = LAST_LINE_CHARACTERS_MAX
    short = said[-1] if len(said[-1]) <= most else f"{said[-1][: most - 1]}…"
    return f": {short}{_place(said, folder)}"


def _place(lines: list[str], folder: Path) -> str:
    """` (nest_boxes.py, line 40)`: the innermost call of a traceback that is in the script's own folder."""
    for line in reversed(lines):
        if (found := _CALL.match(line)) and (file := Path(found[1])).is_relative_to(folder):
            return f" ({file.relative_to(folder)}, line {found[2]})"
    return ""
