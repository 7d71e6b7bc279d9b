"""Randomness from the flight's seed: `os.urandom` and what is built on it, and generators made without a seed."""

from __future__ import annotations

import hashlib
import os
from types import ModuleType
from typing import Any, Callable

from .held import Held


def hold(held: Held) -> None:
    """Replaces `os.urandom` and `os.getrandom` by a stream that the seed decides."""
    stream = _Stream(b"os.urandom:%d" % held.seed)
    os.urandom = stream.take
    if hasattr(os, "getrandom"):
        os.getrandom = lambda size, flags=0: stream.take(size)


class _Stream:
    """Bytes from SHA-256 in counter mode."""

    def __init__(self, key: bytes) -> None:
        self._key, self._count = key, 0

    def take(self, size: int) -> bytes:
        """The next `size` bytes."""
        parts = []
        for _ in range(-(-size // 32)):
            self._count += 1
            parts.append(hashlib.sha256(b"%b:%d" % (self._key, self._count)).digest())
        return b"".join(parts)[:size]


def _hold_random(held: Held, module: ModuleType) -> None:
    """Generators that would seed themselves from the machine take their seed from the flight's."""
    stream = _Stream(b"random:%d" % held.seed)
    random_class: Any = module.Random
    real_seed = random_class.seed

    def seed(self: Any, a: Any = None, version: int = 2) -> None:
        real_seed(self, int.from_bytes(stream.take(32), "big") if a is None else a, version)

    random_class.seed = seed
    module.seed(held.seed)
    module.seed = module._inst.seed  # type: ignore[attr-defined]
    module.SystemRandom.seed = lambda self, *args, **kwargs: None


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"random": _hold_random}
