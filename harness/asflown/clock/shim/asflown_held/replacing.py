"""Puts held functions where the real ones were, also where a module has taken a real one already.

A module that was loaded before may have done `from time import monotonic`: that name is mended, too.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

SPARED = ("asflown_held", "importlib", "_frozen_importlib")
"""Modules that keep the real functions: this package, and what loads modules."""


class Replacements:
    """Every function that was replaced, with what stands for it."""

    def __init__(self) -> None:
        self._by_identity: dict[int, tuple[Any, Any]] = {}

    def put(self, module: ModuleType, name: str, replacement: Any) -> None:
        """Replaces an attribute of a module, if it has it."""
        real = getattr(module, name, None)
        if real is None:
            return
        if hasattr(replacement, "__reduce__") and not isinstance(replacement, type):
            replacement.__module__ = module.__name__
        self._by_identity[id(real)] = (
            real,
            replacement,
        )  # the real one is kept, so that its identity stays its own
        setattr(module, name, replacement)

    def spread(self) -> None:
        """Replaces what modules that are loaded already have taken."""
        known = self._by_identity
        for module_name, module in list(sys.modules.items()):
            if module_name.startswith(SPARED) or not isinstance(module, ModuleType):
                continue
            for name, value in list(vars(module).items()):
                found = known.get(id(value))
                if found is not None:
                    setattr(module, name, found[1])
