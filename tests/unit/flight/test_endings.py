"""What the end of a script means, in words for its author."""

from __future__ import annotations

from pathlib import Path

import pytest

from asflown.flight.endings import outcome
from tests.unit.report.builders import flown

TRACE = """\
looking into box 1
Traceback (most recent call last):
  File "{own}/walk.py", line 60, in <module>
    main()
  File "{own}/parts/legs.py", line 42, in leg
    json.loads(text)
  File "/usr/lib/python3/json/__init__.py", line 346, in loads
    return decode(s)
{last}
"""


@pytest.mark.parametrize(
    ("log", "said"),
    [
        (
            TRACE.format(own="{own}", last="ValueError: no box"),
            ": ValueError: no box (parts/legs.py, line 42)",
        ),
        (TRACE.format(own="/elsewhere", last="ValueError: no box"), ": ValueError: no box"),
        ("gave up: no position\n\n", ": gave up: no position"),
        ("x" * 300, f": {'x' * 199}…"),
        ("", ""),
    ],
    ids=["own traceback", "foreign traceback", "own words", "long", "silent"],
)
def test_a_script_that_failed_says_why_and_where(log: str, said: str, tmp_path: Path) -> None:
    """The last line it wrote, and the innermost place in its own folder."""
    manifest = flown().manifest
    manifest.script.exit_code, manifest.script.ended, manifest.script.frames_sent = 1, "exited", 9
    manifest.scenario_file = str(tmp_path / "walk.scenario.yaml")
    (tmp_path / "script.log").write_text(log.replace("{own}", str(tmp_path)))
    told = outcome(manifest, None, tmp_path / "script.log")
    assert told == ("script-failed", f"the script ended with exit code 1, expected 0{said}")
