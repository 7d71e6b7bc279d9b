"""Statistics of flights: what a few flights say about all flights, with their error rates stated.

Needs no capture and no scenario: numbers in, frozen results out. The heavy libraries are loaded when first used.
Wherever chance is needed, a seeded generator is passed in.
"""

from asflown.grade.statistics.change_point import Shift, shift
from asflown.grade.statistics.equivalence import (
    Equivalence,
    fewest_for_percentile,
    tost,
    tost_percentile,
)
from asflown.grade.statistics.multiple import holm
from asflown.grade.statistics.power import (
    Chances,
    difference_flights,
    difference_power,
    share_chances,
    share_flights,
    tost_flights,
    tost_power,
)
from asflown.grade.statistics.proportion import (
    Interval,
    clopper_pearson,
    fewest_flights,
    further_flights,
    share_at_least,
    share_at_most,
    wilson,
)
from asflown.grade.statistics.sequential import (
    Characteristic,
    SequentialPlan,
    Step,
    fixed_flights,
    sequential_plan,
)
from asflown.grade.statistics.simulated import percentile_power, shift_power, simulated_power
from asflown.grade.statistics.tolerance import ToleranceLimits, flights_needed, tolerance_limits

__all__ = [
    "Chances",
    "Characteristic",
    "Equivalence",
    "Interval",
    "SequentialPlan",
    "Shift",
    "Step",
    "ToleranceLimits",
    "clopper_pearson",
    "difference_flights",
    "difference_power",
    "fewest_flights",
    "fewest_for_percentile",
    "fixed_flights",
    "flights_needed",
    "further_flights",
    "holm",
    "percentile_power",
    "sequential_plan",
    "share_at_least",
    "share_at_most",
    "share_chances",
    "share_flights",
    "shift",
    "shift_power",
    "simulated_power",
    "tolerance_limits",
    "tost",
    "tost_flights",
    "tost_percentile",
    "tost_power",
    "wilson",
]
