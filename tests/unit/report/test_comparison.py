"""Comparisons as the terminal and programs get them."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema

from asflown.change.findings import Cause, Comparison, Finding, MeasureChange, SideOfComparison
from asflown.change.plan import MeasurePlan
from asflown.change.sets import make_set
from asflown.change.stand_in import Explanation, StandIn
from asflown.report import comparison, comparison_document, terminal
from tests.unit.change.flown import several

SIDE = SideOfComparison("before", "nest-boxes/palm80@r1, lockstep", 5, (1, 2, 3, 4, 5), "5 pass", ())
CHANGED = MeasureChange(
    "cross_track_p95", "m", "estimate", (0.2, 0.22), (0.5, 0.54), 0.31, (0.2, 0.43), 0.08, 0.001, 0.99, "changed",
    0.12, 0.63,
)  # fmt: skip
OPEN = replace(CHANGED, name="landing_offset", word="undecided", says="about 14 flights a side would decide")
FINDING = Finding(
    Cause.SCRIPT, "the script sends COMMAND_LONG DO_CHANGE_SPEED with param2 2 and 2.4", "given and observed",
    "certain", "first to differ in 5 of 5 pairs of twins", 8.4, "leg 1 (climb to 3 m)",
)  # fmt: skip
FOUND = Comparison(
    SIDE, replace(SIDE, name="after"), "different", "B differs from A: the script decided differently", (FINDING,),
    (CHANGED, OPEN), "as 5 pairs of twins: equal seeds in lockstep", ("A: something was left out",),
)  # fmt: skip
STAND_IN = StandIn(
    "may not stand in", "the simulation may not stand in for the vehicle in nest-boxes: cross_track_p95", FOUND,
    ("5 pass", "3 fail"),
    (Explanation("wind", "in hover B leans more", "wind: {speed: 4.0 m/s}", "so does a load off centre", sure=True),),
    ("this holds for this scenario",),
)  # fmt: skip

SCHEMA = {
    "type": "object",
    "required": ["schema_version", "asflown", "exit_code", "a", "b", "conclusion", "findings", "measures"],
    "properties": {
        "schema_version": {"const": 1},
        "exit_code": {"enum": [0, 1, 4]},
        "conclusion": {"enum": ["same", "different", "inconclusive"]},
        "findings": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["cause", "says", "seen", "confidence", "because", "at_s", "leg", "size"],
                "properties": {
                    "cause": {"type": "object", "required": ["name", "says"]},
                    "confidence": {"enum": ["certain", "strong", "weak"]},
                    "at_s": {"type": ["number", "null"]},
                },
            },
        },
        "measures": {
            "type": "array",
            "items": {"type": "object", "required": ["name", "unit", "word", "band"]},
        },
    },
}


def printed(found: Comparison | StandIn) -> list[str]:
    """The lines of the terminal, plain and 80 columns wide."""
    out = io.StringIO()
    console = terminal.console(out)
    if isinstance(found, StandIn):
        comparison.show_stand_in(found, console)
    else:
        comparison.show(found, console)
    return out.getvalue().splitlines()


def test_the_answer_comes_first_then_causes_then_numbers() -> None:
    """In words; the table below them."""
    lines = printed(FOUND)
    assert lines[0] == "DIFFERENT  B differs from A: the script decided differently"
    text = " ".join(" ".join(lines).split())
    first, table = (
        text.index("1. The script decided differently, from 8.40 s"),
        text.index("measure A B change"),
    )
    assert 0 < first < table
    assert "cross_track_p95 0.21 m 0.52 m +0.31 m (+0.20 to +0.43) changed" in text
    assert "landing_offset: about 14 flights a side would decide" in text
    assert "note: A: something was left out" in text


def test_nothing_is_wider_than_eighty_columns() -> None:
    """Long names of flights and findings are wrapped."""
    long = replace(
        FOUND, a=replace(SIDE, name="/a/very/long/place" * 9), findings=(replace(FINDING, says="x " * 200),)
    )
    assert max(map(len, printed(long))) <= 80


def test_text_from_elsewhere_cannot_steer_the_terminal() -> None:
    """A folder's name may hold anything."""
    assert not any("\x1b" in line for line in printed(replace(FOUND, a=replace(SIDE, name="\x1b[2Jgone"))))


def test_a_stand_in_report_gives_the_answer_what_to_try_and_what_else_it_may_be() -> None:
    """Before the comparison that it rests on."""
    text = " ".join(" ".join(printed(STAND_IN)).split())
    assert text.startswith("MAY NOT STAND IN The simulation may not stand in")
    assert "wind: In hover B leans more try wind: {speed: 4.0 m/s} but so does a load off centre" in text
    assert text.index("caution: this holds") < text.index("DIFFERENT")


def test_programs_get_every_number_with_the_version_of_the_schema(tmp_path: Path) -> None:
    """What JSON has no spelling for is null."""
    odd = replace(FOUND, measures=(replace(CHANGED, difference=math.inf),))
    comparison_document.write_json(tmp_path / "it.json", odd)
    document = json.loads((tmp_path / "it.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, SCHEMA)
    assert document["findings"][0]["cause"] == {"name": "script", "says": "the script decided differently"}
    assert document["measures"][0]["difference"] is None
    assert document["exit_code"] == 1


def test_programs_get_the_stand_in_report_with_its_comparison(tmp_path: Path) -> None:
    """Answer, explanations, cautions."""
    comparison_document.write_stand_in_json(tmp_path / "it.json", STAND_IN)
    document = json.loads((tmp_path / "it.json").read_text(encoding="utf-8"))
    jsonschema.validate(document["comparison"], SCHEMA)
    assert (document["schema_version"], document["answer"], document["exit_code"]) == (
        1,
        "may not stand in",
        1,
    )
    assert document["explanations"][0]["condition"] == "wind"


def test_a_plan_says_what_so_many_flights_could_show(tmp_path: Path) -> None:
    """Within 80 columns, the longest names, too."""
    flights = make_set("it", several(tmp_path, [0.1, 0.2, 0.3]))
    plans = (
        MeasurePlan(
            "navigation_system_error_p95",
            "m",
            "estimate",
            0.04,
            0.08,
            (0.67, 0.97, 1.0),
            7,
            (0.14, 0.08, 0.06),
        ),
    )
    out = io.StringIO()
    comparison.show_plan(plans, flights, terminal.console(out))
    assert "0.67 0.97 1.00 7 0.14 0.08 0.06" in " ".join(out.getvalue().split())
    assert max(map(len, out.getvalue().splitlines())) <= 80
