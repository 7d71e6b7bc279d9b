"""Random generators of a flight: one for each named purpose, all from the flight's seed.

A purpose is a name, never a running number, so that a new consumer of randomness changes nobody else's draws.
Nothing in the package uses global random state.
"""

from __future__ import annotations

from zlib import crc32

import numpy as np


def generator(seed: int, purpose: str) -> np.random.Generator:
    """The generator for one purpose (`gnss`, `turbulence`, ...) of the flight with this seed (0 or more)."""
    return np.random.Generator(
        np.random.PCG64(np.random.SeedSequence(seed, spawn_key=(crc32(purpose.encode()),)))
    )
