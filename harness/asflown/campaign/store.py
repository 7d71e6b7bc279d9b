"""A campaign on disk: its plan, written before anything flies, and one line for each flight that is done.

A campaign that was killed goes on where it was: what is done stays done, and is done once. A last line that was cut
short is not a flight.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from asflown import files
from asflown.campaign.flying import Outcome
from asflown.campaign.plan import Drawn
from asflown.errors import FolderProblem
from asflown.report import atomic

_OUTCOME = TypeAdapter(Outcome)

PLAN, RESULTS, FLIGHTS = "plan.json", "results.jsonl", "flights"
SCHEMA_VERSION = 1


class Store:
    """The folder of one campaign."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._out: int | None = None

    def begin(self, about: dict[str, Any], drawn: Sequence[Drawn]) -> None:
        """Writes the plan, or finds the same one there. Raises FolderProblem for another plan, or no place."""
        plan = {"schema_version": SCHEMA_VERSION, **about, "flights": [asdict(one) for one in drawn]}
        path = self.folder / PLAN
        if path.exists():
            if self.plan() != json.loads(json.dumps(plan)):
                raise FolderProblem(
                    f"{self.folder} holds another campaign", "Name another folder with --into"
                )
            return
        atomic.write_text(path, json.dumps(plan, indent=1) + "\n")

    def plan(self) -> dict[str, Any]:
        """What is planned. Raises FolderProblem."""
        try:
            found = files.from_json(files.read_plain(self.folder / PLAN))
        except (OSError, ValueError) as error:
            raise FolderProblem(
                f"{self.folder} is no campaign ({error})", "Name the folder of one"
            ) from error
        if not isinstance(found, dict):
            raise FolderProblem(f"{self.folder} is no campaign (its plan is none)", "Name the folder of one")
        return found

    def done(self) -> dict[int, Outcome]:
        """The flights that are done, by number; the first line of each counts."""
        found: dict[int, Outcome] = {}
        for outcome in self._lines():
            found.setdefault(outcome.number, outcome)
        return found

    def enter(self, outcome: Outcome) -> None:
        """Adds a flight, durably. Raises FolderProblem when it cannot be written."""
        line = (json.dumps(asdict(outcome), ensure_ascii=True) + "\n").encode()
        try:
            if self._out is None:
                self._out = self._opened()
            os.write(self._out, line)
            os.fsync(self._out)
        except OSError as error:
            raise FolderProblem(
                f"{self.folder / RESULTS} cannot be written ({error.strerror})", "Make room"
            ) from error

    def close(self) -> None:
        """Ends writing."""
        if self._out is not None:
            os.close(self._out)
            self._out = None

    def _opened(self) -> int:
        """For adding; a line that was cut short is ended, so that the next one stands alone."""
        path = self.folder / RESULTS
        out = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        size = os.fstat(out).st_size
        if size and os.pread(out, 1, size - 1) != b"\n":
            os.write(out, b"\n")
        return out

    def _lines(self) -> Iterator[Outcome]:
        try:
            lines = (self.folder / RESULTS).open(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            return
        with lines:
            for line in lines:
                try:
                    yield _OUTCOME.validate_json(line)
                except ValueError:
                    continue
