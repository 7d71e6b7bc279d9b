"""`--prove`: whether the same flight gave the same bytes."""

from __future__ import annotations

from typing import Any

import pytest

from asflown.cli.prove import compare
from tests.unit.report.builders import flown

PACED = {"kind": "paced", "deterministic": False, "digest": None}


def test_equal_digests_are_a_proof() -> None:
    """Two flights with one digest were the same, byte for byte."""
    proof = compare(flown(), flown())
    assert (proof.same, proof.says) == (True, "proved: same bytes twice")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (
            {"clock": {**PACED, "reason": "python -I leaves out the shim"}},
            "not proved: python -I leaves out the shim",
        ),
        ({"clock": PACED}, "not proved: the flight was paced by wall time, as asked"),
        (
            {"clock": PACED, "outcome": "error", "problem": "no heartbeat"},
            "not proved: a flight could not be carried out (no heartbeat)",
        ),
        (
            {"clock": {"digest": "0" * 64, "fingerprint": "other"}},
            "not proved: the two flights were computed on unequal machines",
        ),
    ],
    ids=["not held", "paced", "error", "machines"],
)
def test_what_cannot_be_compared_is_no_proof(changed: dict[str, Any], said: str) -> None:
    """Without two digests from one machine nothing is proved, and the reason is said."""
    for pair in ((flown(), flown(**changed)), (flown(**changed), flown())):
        proof = compare(*pair)
        assert (proof.same, proof.says) == (False, said)
