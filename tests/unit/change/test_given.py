"""What flights were given that differs, by their manifests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from asflown.change.findings import Cause
from asflown.change.given import given_differences
from asflown.change.sets import make_set
from asflown.record.manifest import ScriptRecord
from tests.unit.change.flown import WIND, flight

STRONGER = WIND | {"wind": {"speed_m_s": 4.0, "from_rad": 4.0}}
OTHER_PORT = ScriptRecord(command=["/opt/python", "nest_boxes.py", "--link", "udpin:127.0.0.1:31234"])
OTHER_ARGUMENT = ScriptRecord(command=["python", "nest_boxes.py", "--speed", "2.4"])
CASES: dict[str, tuple[dict[str, Any], list[tuple[Cause, str]]]] = {
    "nothing": ({}, []),
    "a port of its own": ({"script": OTHER_PORT}, []),
    "wind": ({"conditions": STRONGER}, [(Cause.CONDITIONS, "they were given wind speed 2.00 m/s to 4.00 m/s")]),
    "radio": (
        {"conditions": WIND | {"radio": "slow"}},
        [(Cause.LINK, "they were given radio sub-ghz-telemetry to slow")],
    ),
    "an entry that older versions lack": ({"conditions": WIND | {"air": {"warmer_k": 3.0}}}, []),
    "script": ({"script_sha256": "9"}, [(Cause.SCRIPT, "the script's folder was edited")]),
    "parameters": (
        {"vehicle": {"parameters": {"tilt": 25.0}}},
        [(Cause.PARAMETERS, "parameters were tilt 30 to 25")],
    ),
    "release": ({"vehicle": {"release": "r2"}}, [(Cause.FIRMWARE, "A flew release r1, B flew r2")]),
    "craft": (
        {"vehicle": {"name": "workshop-quad", "kind": "airframe"}},
        [(Cause.CRAFT, "A was flown by palm80 (built-in), B by workshop-quad (airframe)")],
    ),
    "clock": ({"clock": {"kind": "paced"}}, [(Cause.CLOCK, "A flew lockstep, B paced")]),
    "machine": (
        {"clock": {"fingerprint": "g"}},
        [(Cause.MACHINE, "they were computed on machines that differ in last bits")],
    ),
    "home": (
        {"start": {"home": {"altitude_m": 5.0}}},
        [(Cause.CONDITIONS, "they were given start home altitude 0.00 m to 5.00 m")],
    ),
}  # fmt: skip
"""What B is given, and what is said."""


@pytest.mark.parametrize(("changes", "said"), CASES.values(), ids=CASES.keys())
def test_what_differs_is_named(
    changes: dict[str, Any], said: list[tuple[Cause, str]], tmp_path: Path
) -> None:
    """By cause and size; what an older manifest does not have, and what each flight has anew, is no difference."""
    start: dict[str, Any] = {"start": {"home": {"altitude_m": 0.0}}} if "start" in changes else {}
    a, b = flight(tmp_path / "a", **start), flight(tmp_path / "b", **changes)
    found = given_differences(make_set("A", [a]), make_set("B", [b]))
    assert [(one.cause, one.says) for one in found] == said


def test_other_arguments_are_another_script(tmp_path: Path) -> None:
    """The command counts without its interpreter."""
    a, b = flight(tmp_path / "a"), flight(tmp_path / "b", script=OTHER_ARGUMENT)
    (found,) = given_differences(make_set("A", [a]), make_set("B", [b]))
    assert found.cause is Cause.SCRIPT
    assert "--speed 2.4" in found.says


def test_what_is_drawn_for_each_seed_counts_seed_by_seed(tmp_path: Path) -> None:
    """Equal seeds that were given the same are no difference, however much the conditions vary among seeds."""
    sides = [
        make_set(
            name,
            [flight(tmp_path / f"{name}{seed}", seed=seed, conditions={"gust": seed}) for seed in (1, 2)],
        )
        for name in "ab"
    ]
    assert given_differences(*sides) == []
