"""Randomness from the flight's seed: `os.urandom` and what is built on it, and generators made without a seed."""

from __future__ import annotations

import hashlib
import os
from types import ModuleType
from typing import Any, Callable

from .held import Held


def hold(held: Held) -> None:
    """Replaces `os.urandom` and `os.getrandom` by a stream that the seed decides."""
    stream = _Stream(held, "os.urandom")
    os.urandom = stream.take
    if hasattr(os, "getrandom"):
        os.getrandom = lambda size, flags=0: stream.take(size)


class _Stream:
    """Bytes from SHA-256 in counter mode; every process of a flight has its own."""

    def __init__(self, held: Held, purpose: str) -> None:
        self._held, self._purpose, self._count = held, purpose, 0

    def take(self, size: int) -> bytes:
        """The next `size` bytes."""
        parts = []
        for _ in range(-(-size // 32)):
            self._count += 1
            key = f"{self._purpose}:{self._held.seed}:{self._held.number}:{self._count}"
            parts.append(hashlib.sha256(key.encode()).digest())
        return b"".join(parts)[:size]


def _hold_random(held: Held, module: ModuleType) -> None:
    """Generators that would seed themselves from the machine take their seed from the flight's."""
    stream = _Stream(held, "random")
    random_class: Any = module.Random
    real_seed = random_class.seed

    def seed(self: Any, a: Any = None, version: int = 2) -> None:
        real_seed(self, int.from_bytes(stream.take(32), "big") if a is None else a, version)

    random_class.seed = seed
    module.seed(held.seed)
    module.seed = module._inst.seed  # type: ignore[attr-defined]
    os.register_at_fork(after_in_child=module._inst.seed)  # the module did so before, with the real one
    module.SystemRandom.seed = lambda self, *args, **kwargs: None


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"random": _hold_random}
