"""`--prove`: whether the first flight, flown twice, gave the same bytes.

Repeatability is measured here, not asserted. Two flights in lockstep that differ are a fault of asflown or a
script that found a source of chance outside the supported surface; either way the evidence does not decide.
"""

from __future__ import annotations

from dataclasses import dataclass

from asflown.report.difference import first_difference
from asflown.report.flown import Flown


@dataclass(frozen=True, slots=True)
class Proof:
    """What flying twice showed."""

    same: bool
    says: str


def compare(first: Flown, second: Flown) -> Proof:
    """Compares two flights of one scenario, vehicle and seed by their digests."""
    for flown in (first, second):
        clock = flown.manifest.clock
        if not clock.deterministic or clock.digest is None:
            return Proof(same=False, says=f"not proved: {_why_not(flown)}")
    one, other = first.manifest.clock, second.manifest.clock
    if one.digest == other.digest:
        return Proof(same=True, says="proved: same bytes twice")
    if one.fingerprint != other.fingerprint:
        return Proof(same=False, says="not proved: the two flights were computed on unequal machines")
    return Proof(same=False, says=f"not repeatable: {first_difference(first.folder, second.folder)}")


def _why_not(flown: Flown) -> str:
    manifest = flown.manifest
    if manifest.outcome == "error":
        return f"a flight could not be carried out ({manifest.problem})"
    return manifest.clock.reason or "the flight was paced by wall time, as asked"
