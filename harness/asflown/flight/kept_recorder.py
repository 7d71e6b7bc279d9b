"""Stands for the recorder where the keeper records: events go there, and nothing else is known here."""

from __future__ import annotations

from typing import Any

from asflown.flight.kept_link import KeptLink

RECORDED_THERE = frozenset({"safety"})
"""Events that the keeper itself has recorded before it told of them."""


class KeptRecorder:
    """Takes what a flight's recorder takes."""

    def __init__(self) -> None:
        self.link: KeptLink | None = None
        """Set once the keeper has begun."""

    def event(self, now_us: int, kind: str, **facts: Any) -> None:
        """Has it recorded by the keeper, with the keeper's time, which is the flight's."""
        if self.link is not None and kind not in RECORDED_THERE:
            self.link.event(kind, facts)

    def truth(self, rows: bytes) -> None:
        """There is none."""

    def state(self, steps: bytes) -> None:
        """There is none."""

    def script_output(self, chunk: bytes) -> None:
        """It is in its file; there is no digest that it belongs to."""

    def digest_hex(self, exit_code: int | None) -> str:
        """A real flight is never repeated."""
        return ""

    def close(self) -> None:
        """The keeper closes its files itself."""
