"""Enters flights into the history as they end; flying goes on when that cannot be done."""

from __future__ import annotations

import sys
from pathlib import Path
from types import TracebackType
from typing import Self

from asflown.change.history_store import History
from asflown.errors import FolderProblem


class Remembering:
    """The history of one run's flights; says once on standard error when it cannot be kept."""

    def __init__(self, store: Path) -> None:
        """Opens the history of the flights in `store`."""
        self._history: History | None = None
        try:
            self._history = History(store)
        except FolderProblem as problem:
            self._give_up(problem)

    def enter(self, folder: Path) -> None:
        """Enters one flight."""
        if self._history is None:
            return
        try:
            self._history.enter(folder)
        except FolderProblem as problem:
            self._give_up(problem)

    def _give_up(self, problem: FolderProblem) -> None:
        print(f"asflown: the history is not kept: {problem}", file=sys.stderr)
        if self._history is not None:
            self._history.close()
            self._history = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._history is not None:
            self._history.close()
