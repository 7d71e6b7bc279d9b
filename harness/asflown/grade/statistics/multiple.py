"""Several tests at once: what may be said to have changed when many things were looked at.

Holm (Scand. J. Statist. 6, 1979): the chance of naming anything that has not changed stays below alpha, however
the tests depend on each other. 'All measures pass' needs none of this: a vehicle passes only when each test says so.
Worked out here, because statsmodels' own collects garbage on each call, which takes a large process half a second;
the tests hold this one against it.
"""

from __future__ import annotations

from collections.abc import Sequence

from asflown.errors import UsageError


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """The p values adjusted for their number, in the order given: compare each with alpha itself.

    Raises UsageError for numbers that are no p values.
    """
    if not all(0 <= p_value <= 1 for p_value in p_values):
        raise UsageError("p values lie between 0 and 1", "Look at how they were made")
    adjusted, so_far = [0.0] * len(p_values), 0.0
    for rank, place in enumerate(sorted(range(len(p_values)), key=lambda place: p_values[place])):
        so_far = min(1.0, max(so_far, p_values[place] * (len(p_values) - rank)))
        adjusted[place] = so_far
    return tuple(adjusted)
