"""Comparisons of invented flights: what comes first, how sure it is, and what is concluded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from asflown.change.compare import Bands, compare
from asflown.change.findings import Cause
from asflown.change.sets import FlightSet, make_set
from asflown.errors import ExitCode
from asflown.grade.result import VerdictWord
from tests.unit.change.flown import DOWN, UP, WIND, Sent, flight, go, here, several, speed

FASTER: Sent = [UP[0], (2.0, speed(3.0)), *UP[2:]]
LATER: Sent = [(at_s + 0.08, message) for at_s, message in DOWN]
AWAY: Sent = [*DOWN[:40], (DOWN[40][0], here(2.6, 0.25)), *DOWN[41:]]
NEAR, FAR = [0.20, 0.21, 0.19, 0.20, 0.22, 0.18], [0.50, 0.52, 0.49, 0.51, 0.50, 0.48]
STRONGER = WIND | {"wind": {"speed_m_s": 4.0, "from_rad": 4.0}}

TWINS: dict[str, tuple[dict[str, Any], Cause]] = {
    "script": ({"up": FASTER, "script_sha256": "9"}, Cause.SCRIPT),
    "script that was not edited": ({"up": FASTER}, Cause.SCRIPT),
    "link": ({"down": LATER, "conditions": WIND | {"radio": "slow"}}, Cause.LINK),
    "parameters": ({"down": AWAY, "vehicle": {"parameters": {"tilt": 20.0}}}, Cause.PARAMETERS),
    "release": ({"down": AWAY, "vehicle": {"release": "r2"}}, Cause.FIRMWARE),
    "wind": ({"down": AWAY, "conditions": STRONGER}, Cause.CONDITIONS),
    "wind, though the script was edited": (
        {"down": AWAY, "conditions": STRONGER, "script_sha256": "9"},
        Cause.CONDITIONS,
    ),
    "the script, though the wind differs": (
        {"up": FASTER, "conditions": STRONGER, "script_sha256": "9"},
        Cause.SCRIPT,
    ),
    "nobody knows": ({"down": AWAY}, Cause.VEHICLE),
    "only timing": ({"up": [*UP[:2], (3.0002, go(8, 0)), *UP[3:]]}, Cause.TIMING),
    "given, and nothing came of it": ({"vehicle": {"release": "r2"}}, Cause.FIRMWARE),
}
"""What B is, and what is named first."""


@pytest.mark.parametrize(("changes", "cause"), TWINS.values(), ids=TWINS.keys())
def test_twins_name_what_parted_them(changes: dict[str, Any], cause: Cause, tmp_path: Path) -> None:
    """What differed first comes first, whatever else was given."""
    other = {"clock": {"digest": "other"}} | changes
    found = compare(make_set("A", [flight(tmp_path / "a")]), make_set("B", [flight(tmp_path / "b", **other)]))
    assert found.first.cause is cause
    assert found.first.confidence != "weak"


def test_twins_that_are_equal_are_the_same(tmp_path: Path) -> None:
    """To the last byte: nothing else need be shown."""
    found = compare(make_set("A", [flight(tmp_path / "a")]), make_set("B", [flight(tmp_path / "b")]))
    assert (found.conclusion, found.exit_code) == ("same", ExitCode.PASSED)
    assert found.statement == "B is the same as A, to the last byte"
    assert found.first.cause is Cause.NOTHING


def test_a_script_that_decides_differently_is_different(tmp_path: Path) -> None:
    """Whatever the measures say; with the moment, and what it had received until then."""
    b = flight(tmp_path / "b", up=FASTER, script_sha256="9", clock={"digest": "other"})
    found = compare(make_set("A", [flight(tmp_path / "a")]), make_set("B", [b]))
    assert (found.conclusion, found.exit_code) == ("different", ExitCode.FAILED)
    assert found.first.at_s == pytest.approx(2.0)
    assert "param2 2 and 3" in found.first.says
    assert "messages from the vehicle that were equal to the byte" in found.first.because


def test_a_measure_that_changed_is_different(tmp_path: Path) -> None:
    """Independent sets: beyond chance and beyond the band."""
    a = make_set("A", several(tmp_path / "a", NEAR))
    b = make_set("B", several(tmp_path / "b", FAR, first_seed=11, vehicle={"release": "r2"}))
    found = compare(a, b)
    assert (found.conclusion, found.measures[0].word) == ("different", "changed")
    assert [one.cause for one in found.findings] == [Cause.FIRMWARE, Cause.VEHICLE]
    assert found.findings[1].says.startswith("cross_track_p95 0.20 m to 0.50 m (+0.30 m)")


def test_equivalence_is_shown_within_the_band(tmp_path: Path) -> None:
    """A tenth of the limit unless a band is named; within a narrower one the flights do not decide."""
    a = make_set("A", several(tmp_path / "a", NEAR))
    b = make_set("B", several(tmp_path / "b", [value + 0.004 for value in NEAR], first_seed=11))
    found = compare(a, b)
    assert (found.conclusion, found.measures[0].word, found.measures[0].band) == ("same", "equivalent", 0.1)
    narrow = compare(a, b, Bands({"cross_track_p95": 0.01}))
    assert (narrow.conclusion, narrow.exit_code) == ("inconclusive", ExitCode.INCONCLUSIVE)
    assert narrow.first.cause is Cause.NOTHING


def test_a_change_within_the_band_is_told_and_is_no_difference(tmp_path: Path) -> None:
    """Beyond chance, and too small to matter."""
    a = make_set("A", several(tmp_path / "a", NEAR))
    b = make_set("B", several(tmp_path / "b", [value + 0.05 for value in NEAR], first_seed=11))
    found = compare(a, b)
    assert (found.conclusion, found.measures[0].word) == ("same", "changed within the band")


def test_single_flights_of_unequal_seeds_do_not_decide(tmp_path: Path) -> None:
    """How far apart they are is told, and that it may be noise."""
    a, b = flight(tmp_path / "a"), flight(tmp_path / "b", seed=2, measures={"cross_track_p95": 0.9})
    found = compare(make_set("A", [a]), make_set("B", [b]))
    assert found.conclusion == "inconclusive"
    assert found.measures[0].difference == pytest.approx(0.7)
    assert found.measures[0].says == "one flight a side does not tell change from noise"


def test_other_clocks_enter_no_common_statistic(tmp_path: Path) -> None:
    """Each side's own interval; no p value of both together."""
    a = make_set("A", several(tmp_path / "a", NEAR))
    b = make_set("B", several(tmp_path / "b", FAR, clock={"kind": "paced"}))
    found = compare(a, b)
    (change,) = found.measures
    assert (found.first.cause, change.word, change.p_changed) == (Cause.CLOCK, "changed", None)
    assert found.method == "in words: flights on different clocks enter no common statistic"


def test_flights_without_a_twin_are_left_out_where_the_rest_has_one(tmp_path: Path) -> None:
    """And named."""
    a = make_set("A", [flight(tmp_path / f"a{seed}", seed=seed) for seed in (1, 2, 3)])
    found = compare(a, make_set("B", [flight(tmp_path / "b2", seed=2)]))
    assert found.conclusion == "same"
    assert found.notes == ("A: 2 flights without a twin on the other side left out",)


def test_blind_comparisons_look_at_captures_alone(tmp_path: Path) -> None:
    """What was given is not looked at, nor who has a twin."""
    a, b = flight(tmp_path / "a"), flight(tmp_path / "b", vehicle={"release": "r2"})
    found = compare(make_set("A", [a]), make_set("B", [b]), blind=True)
    assert [one.cause for one in found.findings] == [Cause.NOTHING]
    assert found.method.startswith("as single flights")


def test_steps_of_other_kinds_are_a_decision(tmp_path: Path) -> None:
    """Without twins, too: the first step that is other, and what had been received that differed."""
    b = flight(tmp_path / "b", seed=2, up=[UP[0], *UP[2:]], down=[*DOWN, (2.95, here(2.9, 0.25))])
    found = compare(make_set("A", [flight(tmp_path / "a")]), make_set("B", [b]))
    assert found.first.cause is Cause.SCRIPT
    assert found.first.says == (
        "where A sends COMMAND_LONG DO_CHANGE_SPEED, B sends SET_POSITION_TARGET_LOCAL_NED position"
    )
    assert "what they had just received differed, too: LOCAL_POSITION_NED" in found.first.because


def test_a_link_seen_to_differ_on_another_clock_comes_behind_the_clock(tmp_path: Path) -> None:
    """Wall time brings delays of its own; each side keeps its own interval."""
    a = make_set("A", several(tmp_path / "a", NEAR))
    b = make_set("B", several(tmp_path / "b", NEAR, clock={"kind": "paced"}, down=LATER))
    found = compare(a, b)
    assert [one.cause for one in found.findings] == [Cause.CLOCK, Cause.LINK]
    assert found.findings[1].says == "age of telemetry 100 ms in A and 180 ms in B"


def graded(folder: Path, verdicts: str, **changes: Any) -> FlightSet:
    """A flight for each letter, p or f, with seeds from 1."""
    words: dict[str, VerdictWord] = {"p": "pass", "f": "fail"}
    return make_set(
        folder.name,
        [
            flight(
                folder / str(seed),
                seed=seed,
                verdict=words[one],
                clock={"digest": f"{folder}{seed}"},
                **changes,
            )
            for seed, one in enumerate(verdicts, 1)
        ],
    )


def test_a_seed_that_passed_and_fails_now_is_different(tmp_path: Path) -> None:
    """Twins: whatever the measures can show."""
    b = graded(tmp_path / "b", "ffp", down=AWAY, vehicle={"release": "r2"})
    found = compare(graded(tmp_path / "a", "ppp"), b)
    assert found.conclusion == "different"
    assert found.findings[1].says == "2 of 3 seeds that passed in A fail in B"
    assert (found.findings[1].cause, found.findings[1].confidence) == (Cause.VEHICLE, "certain")


def test_seeds_that_move_both_ways_are_told_and_decide_nothing(tmp_path: Path) -> None:
    """A scenario near its limits turns either way."""
    b = graded(tmp_path / "b", "fpp", down=AWAY, vehicle={"release": "r2"})
    found = compare(graded(tmp_path / "a", "pfp"), b)
    assert (
        "1 of 2 seeds that passed in A fail in B; 1 of 1 seeds that failed in A pass in B"
        in found.findings[1].says
    )
    assert found.conclusion != "different"


def test_verdicts_of_other_seeds_are_compared_by_a_test(tmp_path: Path) -> None:
    """Six that pass against six that fail are no chance; two against two may be."""
    sides = [graded(tmp_path / "a", "p" * 6), graded(tmp_path / "b", "f" * 6)]
    assert compare(sides[0], sides[1], blind=True).first.says == "6 of 6 flights passed in A and 0 of 6 in B"
    few = [graded(tmp_path / "c", "pp"), graded(tmp_path / "d", "ff")]
    assert compare(few[0], few[1], blind=True).first.cause is Cause.NOTHING
