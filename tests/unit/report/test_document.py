"""The JSON document."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

from asflown.report.document import document, write_json
from tests.unit.report.builders import FAILED, KEPT, flown, grade, outcome


def test_a_flight_holds_what_the_verdict_rests_on() -> None:
    """Scenario, vehicle, seed, verdict, clock, digest, fingerprint and pace stand beside each other."""
    flight = document([outcome(flown(FAILED), verdict="fail")])["flights"][0]
    names = (
        "scenario",
        "vehicle",
        "seed",
        "verdict",
        "clock",
        "digest",
        "fingerprint",
        "pace",
        "flight_time_s",
    )
    assert [dict(flight)[name] for name in names] == [
        "nest-boxes",
        "palm80",
        7,
        "fail",
        "lockstep",
        "3f9a" * 16,
        "c0ffee",
        64.6,
        52.4,
    ]


def test_a_measure_keeps_si_with_unit_limit_and_margin() -> None:
    """Numbers for programs are SI and unrounded."""
    measure = document([outcome(flown(FAILED), verdict="fail")])["flights"][0]["measures"][0]
    assert measure == {
        "name": "cross_track_p95",
        "source": "estimate",
        "value": 2.2,
        "unit": "m",
        "limit": {"at_most": 0.8},
        "margin": -1.75,
        "passed": False,
        "leg": "leg 4 (line to 8, 6, 3 m)",
        "at_s": 22.1,
        "says": "leg 4 (line to 8, 6, 3 m) is 1.4 m too far right, from 22.1 s",
    }


def test_a_flight_without_a_grade_has_a_problem_and_no_measures() -> None:
    """What could not be flown is in the document all the same."""
    one = outcome(flown(None, outcome="error", problem="no heartbeat"), verdict="error")
    flight = document([one])["flights"][0]
    assert (flight["verdict"], flight["problem"], flight["measures"]) == ("error", "no heartbeat", [])


def test_verdicts_say_how_they_follow() -> None:
    """One verdict for each scenario and vehicle, with its statement and what was not flown."""
    (verdict,) = document([outcome(flown(), verdict="error", not_flown=(8,))])["verdicts"]
    assert [dict(verdict)] == [
        {
            "scenario": "nest-boxes",
            "vehicle": "palm80",
            "verdict": "error",
            "statement": "1 flown",
            "confidence": None,
            "would_decide": "",
            "flights": 1,
            "not_flown": [8],
            "failures": [],
            "flown_again": [],
            "tolerance_limits": [],
        }
    ]


def test_the_same_flights_give_the_same_bytes(tmp_path: Path) -> None:
    """Writing twice, and reading and writing again, changes nothing."""
    path = tmp_path / "a.json"
    write_json(path, [outcome(flown())])
    first = path.read_bytes()
    write_json(path, [outcome(flown())])
    assert path.read_bytes() == first
    again = json.dumps(json.loads(first), indent=2, ensure_ascii=False) + "\n"
    assert again.encode() == first


def test_numbers_without_a_json_spelling_are_null(tmp_path: Path) -> None:
    """A strict parser reads every document."""
    path = tmp_path / "a.json"
    write_json(path, [outcome(flown(grade(replace(KEPT, value=math.nan, margin=-math.inf))))])
    measure = json.loads(path.read_text(), parse_constant=lambda name: name)["flights"][0]["measures"][0]
    assert (measure["value"], measure["margin"]) == (None, None)
