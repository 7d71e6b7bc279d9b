"""What each flight of a campaign is given: drawn before anything flies, from plan and flight number alone.

A flight's values and seed do not depend on who flies it, or when: a campaign that is resumed, or flown on another
machine, flies the same flights.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm, qmc

from asflown.frames import FloatArray
from asflown.scenario.campaign import Campaign, Choice, Distribution, Normal
from asflown.units import UNITS, Dimension, split_quantity

_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Drawn:
    """One flight of a campaign; `number` counts from 0."""

    number: int
    seed: int
    given: dict[str, str]
    """Values by their path in the scenario, as a file would write them."""


def drawn(campaign: Campaign, name: str) -> tuple[Drawn, ...]:
    """All flights of the campaign of the scenario called `name`."""
    points = _points(campaign)
    key = identity(campaign, name)
    return tuple(
        Drawn(number, seed_of(key, number), values_at(campaign, points[number]))
        for number in range(campaign.flights)
    )


def identity(campaign: Campaign, name: str) -> str:
    """A short name of the plan: equal plans of one scenario have equal ones."""
    text = json.dumps([name, campaign.model_dump(mode="json")], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def seed_of(key: str, number: int) -> int:
    """The seed of a flight."""
    return int.from_bytes(hashlib.sha256(f"{key}:{number}".encode()).digest()[:4], "big")


def values_at(campaign: Campaign, point: FloatArray) -> dict[str, str]:
    """The values at a point of the unit cube, one coordinate for each varied key in the file's order."""
    pairs = zip(campaign.vary.items(), point, strict=True)
    return {key: _value(distribution, float(share)) for (key, distribution), share in pairs}


def share_at(distribution: Distribution, at_s: float) -> float | None:
    """The coordinate at which a distribution of times has this one; None for other quantities and for words."""
    unit = None if isinstance(distribution, Choice) else UNITS.get(distribution.unit)
    if isinstance(distribution, Choice) or unit is None or unit.dimension is not Dimension.DURATION:
        return None
    value = at_s / float(unit.to_si)
    if isinstance(distribution, Normal):
        below, here, above = (
            _below(distribution, one) for one in (distribution.ends[0], value, distribution.ends[1])
        )
        return (here - below) / (above - below)
    low, high = distribution.ends
    return (value - low) / (high - low)


def number_of(text: str) -> float | None:
    """The number in a drawn value; None for a word."""
    parts = split_quantity(text)
    return None if parts is None else float(parts[0])


def _points(campaign: Campaign) -> FloatArray:
    """Shape (flights, keys), each coordinate from 0 to 1."""
    rng, keys, flights = np.random.default_rng(campaign.seed), len(campaign.vary), campaign.flights
    if campaign.sampling == "plain":
        return rng.random((flights, keys))
    if campaign.sampling == "sobol":
        power = max(0, (flights - 1).bit_length())  # a whole power of two is what keeps it balanced
        return np.asarray(qmc.Sobol(keys, rng=rng).random_base2(power)[:flights], np.float64)
    return np.asarray(qmc.LatinHypercube(keys, rng=rng).random(flights), np.float64)


def _value(distribution: Distribution, share: float) -> str:
    if isinstance(distribution, Choice):
        return distribution.choice[min(int(share * len(distribution.choice)), len(distribution.choice) - 1)]
    low, high = distribution.ends
    if isinstance(distribution, Normal):
        below, above = (_below(distribution, end) for end in (low, high))
        value = distribution.mean + distribution.deviation * float(norm.ppf(below + share * (above - below)))
    else:
        value = low + share * (high - low)
    return f"{min(max(value, low), high):.{_DIGITS}g} {distribution.unit}".rstrip()


def _below(distribution: Normal, value: float) -> float:
    """How much of a normal distribution lies below a value."""
    return float(norm.cdf((value - distribution.mean) / distribution.deviation))
