"""What commands of many flights have in common: who flies them, and what is shown meanwhile."""

from __future__ import annotations

import sys

from asflown.campaign.dask_cluster import Cluster
from asflown.campaign.executor import Executor, Local
from asflown.report import terminal
from asflown.report.progress import Board, SilentBoard, SparseBoard, board


def executor_of(workers: int, scheduler: str | None, shown: Board) -> Executor:
    """This machine, or the cluster of a scheduler."""
    return Local(workers, shown) if scheduler is None else Cluster(scheduler, board=shown)


def board_of_many(*, quiet: bool, every: int = 20) -> Board:
    """Each flight in the air on a terminal; in a log a line for `every` so many that ended."""
    out = terminal.console(sys.stderr, widest=None)
    return board(out, quiet=quiet, plain=lambda console: SparseBoard(console, every))


def board_of_search(*, quiet: bool) -> Board:
    """The flight in the air on a terminal; nothing in a log, because the search tells of each flight itself."""
    return board(terminal.console(sys.stderr, widest=None), quiet=quiet, plain=lambda _console: SilentBoard())
