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
from asflown.units import split_quantity

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
        mean, deviation = distribution.mean, distribution.deviation
        below, above = (float(norm.cdf((end - mean) / deviation)) for end in (low, high))
        value = mean + deviation * float(norm.ppf(below + share * (above - below)))
    else:
        value = low + share * (high - low)
    return f"{min(max(value, low), high):.{_DIGITS}g} {distribution.unit}".rstrip()
