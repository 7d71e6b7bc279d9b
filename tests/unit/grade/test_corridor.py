"""Looking only where a coupling can lead loses nothing: the distance is that of the whole table, to the last bit."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from asflown.frames import FloatArray
from asflown.grade import corridor
from asflown.grade.distances import apart_2, discrete_frechet

STEPS = st.lists(st.tuples(st.integers(-3, 3), st.integers(-3, 3)), min_size=1, max_size=40)


def walk(steps: list[tuple[int, int]]) -> FloatArray:
    """Where a walk of these steps passes."""
    return np.cumsum(np.array(steps, dtype=float), axis=0)


def by_the_book(first: FloatArray, second: FloatArray) -> float:
    """Eiter & Mannila's recurrence over the whole table, cell by cell."""
    apart = apart_2(first, second)
    table = np.full((len(first) + 1, len(second) + 1), np.inf)
    table[0, 0] = 0.0
    for row, column in itertools.product(range(len(first)), range(len(second))):
        reached = min(table[row, column + 1], table[row, column], table[row + 1, column])
        table[row + 1, column + 1] = max(reached, apart[row, column])
    return float(np.sqrt(table[-1, -1]))


@given(first=STEPS, second=STEPS, block=st.integers(1, 7), box_rows=st.integers(1, 3))
def test_distance_is_that_of_the_whole_table(
    first: list[tuple[int, int]], second: list[tuple[int, int]], block: int, box_rows: int
) -> None:
    """However the paths cross themselves and however large the blocks, nothing is lost."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(corridor, "_BLOCK", block)
        patch.setattr(corridor, "_BOX_ROWS", box_rows)
        found = discrete_frechet(walk(first), walk(second))
    assert found == by_the_book(*sorted((walk(first), walk(second)), key=len))


@given(first=STEPS, second=STEPS)
def test_following_both_by_length_is_a_coupling(
    first: list[tuple[int, int]], second: list[tuple[int, int]]
) -> None:
    """The known coupling is never shorter than the shortest one."""
    bound = np.sqrt(corridor.coupled_by_length_2(walk(first), walk(second)))
    assert bound >= discrete_frechet(walk(first), walk(second))


def test_little_of_the_table_is_looked_at_where_paths_are_close() -> None:
    """Of two tracks of one path of 2,000 points less than a third of the table is looked at."""
    along = np.linspace(0, 60, 2000)
    first = np.stack([20 * np.cos(along / 5), 20 * np.sin(along / 3)], axis=-1)
    second = first + np.random.default_rng(1).normal(size=first.shape) * 0.2
    bound_2 = corridor.coupled_by_length_2(first, second)
    cells = sum(
        (rows.stop - rows.start) * (columns.stop - columns.start)
        for rows, columns in corridor.corridor(first, second, bound_2)
    )
    assert cells < 0.3 * 2000 * 2000
