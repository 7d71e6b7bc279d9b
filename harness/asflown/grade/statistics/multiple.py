"""Several tests at once: what may be said to have changed when many things were looked at.

Holm (Scand. J. Statist. 6, 1979): the chance of naming anything that has not changed stays below alpha, however
the tests depend on each other. 'All measures pass' needs none of this: a vehicle passes only when each test says so.
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
    if not p_values:
        return ()
    from statsmodels.stats.multitest import multipletests  # noqa: PLC0415  it takes a second, and few need it

    return tuple(float(adjusted) for adjusted in multipletests(list(p_values), method="holm")[1])
