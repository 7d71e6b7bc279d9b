"""A campaign on disk: its plan, written before anything flies, and one line for each flight that is done.

A campaign that was killed goes on where it was: what is done stays done, and is done once. A last line that was cut
short is not a flight. One process at a time writes here; the lock goes with the process, however it ends.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
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
        """Writes the plan, or finds the same one there, and keeps others out until `close`.

        Raises FolderProblem for another plan, no place, and while another process flies it.
        """
        plan = {"schema_version": SCHEMA_VERSION, **about, "flights": [asdict(one) for one in drawn]}
        path = self.folder / PLAN
        if not path.exists():
            atomic.write_text(path, json.dumps(plan, indent=1) + "\n")
        elif self.plan() != json.loads(json.dumps(plan)):
            raise FolderProblem(
                f"{self.folder} holds another campaign: another plan, scenario, script or vehicle",
                "Name another folder with --into",
            )
        self._open()

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
        """The flights that are done, by number; the first line of each counts that is not an `error`."""
        found: dict[int, Outcome] = {}
        for outcome in self._lines():
            if outcome.number not in found or found[outcome.number].verdict == "error":
                found[outcome.number] = outcome
        return found

    def enter(self, outcome: Outcome) -> None:
        """Adds a flight, durably and whole. Raises FolderProblem when it cannot be written; then nothing is added."""
        self._append((json.dumps(asdict(outcome), ensure_ascii=True) + "\n").encode(), self._open())

    def _append(self, line: bytes, out: int) -> None:
        end = os.fstat(out).st_size
        try:
            while line:  # a disk that fills up takes a part of it first
                line = line[os.write(out, line) :]
            os.fsync(out)
        except OSError as error:
            with suppress(OSError):
                os.ftruncate(out, end)
            raise FolderProblem(
                f"{self.folder / RESULTS} cannot be written ({error.strerror})",
                "Make room and give the same command again: what is done stays done",
            ) from error

    def close(self) -> None:
        """Ends writing."""
        if self._out is not None:
            os.close(self._out)
            self._out = None

    def _open(self) -> int:
        """For adding; a line that was cut short is ended, so that the next one stands alone. Raises FolderProblem."""
        if self._out is not None:
            return self._out
        path = self.folder / RESULTS
        try:
            out = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        except OSError as error:
            raise FolderProblem(
                f"{path} cannot be written ({error.strerror})", "Name another --into"
            ) from error
        try:
            fcntl.flock(out, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(out)
            raise FolderProblem(
                f"another process flies the campaign in {self.folder}", "Wait for it, or end it"
            ) from error
        self._out = out
        size = os.fstat(out).st_size
        if size and os.pread(out, 1, size - 1) != b"\n":
            self._append(b"\n", out)
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
