"""The compiled build of ci/accelerate, where it is there and made from today's sources."""

from __future__ import annotations

from pathlib import Path

from tests.flights.test_accelerated import program

ACCELERATED = Path(__file__).parents[2] / ".accelerated"


def current() -> Path | None:
    """Its folder, with today's sources beside what is compiled; None, and words, where there is none of today's."""
    accelerate = program()
    stamp = ACCELERATED / accelerate.STAMP
    if stamp.exists() and stamp.read_text(encoding="utf-8") == accelerate.compiled_from():
        accelerate.refresh(ACCELERATED)
        return ACCELERATED
    print("       no figures for the compiled build: run ci/accelerate first", flush=True)
    return None
