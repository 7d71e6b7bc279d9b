"""The published step responses are those that are flown, and r2 differs from r1 as it says."""

from __future__ import annotations

import pytest

from asflown.sim.airframe import AIRFRAMES
from tests.benchmarks.step_responses import FILE, Response, responses

pytestmark = pytest.mark.slow

TABLE = [line.strip("| ").split(" | ") for line in FILE.read_text(encoding="utf-8").splitlines()]
FLOWN: dict[tuple[str, str], list[Response]] = {}


def flown(airframe: str, release: str) -> list[Response]:
    """The steps of a release, flown once."""
    return FLOWN.setdefault((airframe, release), responses(airframe, release))


@pytest.mark.parametrize("release", ["r1", "r2"])
@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_the_table_is_what_is_flown(airframe: str, release: str) -> None:
    """Every line of the document, within a per cent of overshoot and two tenths of a second."""
    for response in flown(airframe, release):
        line = next(row for row in TABLE if row[:3] == [airframe, release, response.step])
        assert 100.0 * response.overshoot == pytest.approx(float(line[3].rstrip("%")), abs=1.0)
        assert response.settled_s == pytest.approx(float(line[4].removesuffix(" s")), abs=0.2)


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_no_step_is_answered_wildly(airframe: str) -> None:
    """In calm air r1 overshoots no step by more than a tenth, and settles within five seconds."""
    for response in flown(airframe, "r1"):
        assert response.overshoot < 0.1, response.step
        assert response.settled_s < 6.0, response.step


@pytest.mark.parametrize("airframe", list(AIRFRAMES))
def test_r2_is_retuned(airframe: str) -> None:
    """Somewhere its overshoot differs from r1's by a visible amount, nowhere by very much."""
    pairs = zip(flown(airframe, "r1"), flown(airframe, "r2"), strict=True)
    differences = [abs(one.overshoot - two.overshoot) for one, two in pairs]
    assert 0.004 < max(differences) < 0.1
