"""A fingerprint of how this machine computes: digests are compared only where fingerprints are equal.

The math library, the linear algebra kernels and the processor's features change the last bits of results, and with
them every flight; so do the versions of what computes, and may whether the vehicle's hot part was compiled.
"""

from __future__ import annotations

import functools
import hashlib
import math
import platform
import sys

import jsbsim
import numpy as np

import asflown
from asflown.sim import core


def accelerated() -> bool:
    """Whether this is the build whose vehicle is compiled (ci/accelerate), not run from its sources."""
    return not str(core.__file__).endswith(".py")


@functools.cache
def fingerprint() -> str:
    """Sixteen hexadecimal digits; equal where equal flights give equal bytes."""
    hasher = hashlib.blake2b(digest_size=8)
    arguments = [0.1 + 0.37 * i for i in range(64)]
    for function in (math.sin, math.cos, math.tan, math.exp, math.log, math.sqrt, math.atan):
        hasher.update(np.array([function(x) for x in arguments]).tobytes())
    hasher.update(np.array([math.pow(x, 1.7) for x in arguments]).tobytes())
    square = np.sin(np.arange(225.0)).reshape(15, 15)
    hasher.update((square @ square.T).tobytes())
    hasher.update(np.linalg.inv(square @ square.T + np.eye(15)).tobytes())
    hasher.update(np.exp(np.linspace(-3, 3, 64)).tobytes())
    versions = (asflown.__version__, sys.version, np.__version__, jsbsim.__version__, platform.machine())
    hasher.update("\n".join((*versions, "accelerated" if accelerated() else "sources")).encode())
    return hasher.hexdigest()
