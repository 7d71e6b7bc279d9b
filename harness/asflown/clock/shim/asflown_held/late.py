"""Puts held functions into modules at the moment they are first imported, so that unused ones cost nothing."""

from __future__ import annotations

import importlib.machinery
import importlib.util
import sys
from types import ModuleType
from typing import Any, Callable

from .held import Held

Patch = Callable[[Held, ModuleType], None]


def hold(held: Held, patches: dict[str, Patch]) -> None:
    """Patches what is loaded already, and the rest as it comes."""
    for name, patch in patches.items():
        if name in sys.modules:
            patch(held, sys.modules[name])
    waiting = {name: patch for name, patch in patches.items() if name not in sys.modules}
    sys.meta_path.insert(0, _LateFinder(held, waiting))


class _LateFinder:
    """Finds nothing of its own: lets the others find, and patches after loading."""

    def __init__(self, held: Held, waiting: dict[str, Patch]) -> None:
        self._held, self._waiting = held, waiting

    def find_spec(
        self, name: str, path: Any = None, target: Any = None
    ) -> importlib.machinery.ModuleSpec | None:
        patch = self._waiting.pop(name, None)
        if patch is None:
            return None
        spec = importlib.util.find_spec(name)
        if spec is not None and spec.loader is not None and hasattr(spec.loader, "exec_module"):
            spec.loader = _Patching(spec.loader, self._held, patch)  # type: ignore[assignment]
        return spec


class _Patching:
    """A loader that loads, then patches."""

    def __init__(self, loader: Any, held: Held, patch: Patch) -> None:
        self._loader, self._held, self._patch = loader, held, patch

    def create_module(self, spec: Any) -> Any:
        return self._loader.create_module(spec)

    def exec_module(self, module: ModuleType) -> None:
        self._loader.exec_module(module)
        self._patch(self._held, module)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._loader, name)
