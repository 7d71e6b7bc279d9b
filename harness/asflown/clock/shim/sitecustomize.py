"""Found by the user's interpreter through PYTHONPATH: begins holding, then loads the sitecustomize it stands before."""

import importlib.machinery
import importlib.util
import os
import sys

_HERE = os.path.dirname(os.path.abspath(__file__))


def _load_next() -> None:
    """Runs the sitecustomize that would have been found without this one, if there is any."""
    path = [entry for entry in sys.path if os.path.abspath(entry) != _HERE]
    spec = importlib.machinery.PathFinder.find_spec("sitecustomize", path)
    if spec is not None and spec.loader is not None:
        spec.loader.exec_module(importlib.util.module_from_spec(spec))


if "ASFLOWN_CLOCK_SOCKET" in os.environ:
    importlib.import_module("asflown_held.begin").begin()
_load_next()
