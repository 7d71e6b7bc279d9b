"""What holds for every test of whole flights: none is part of the quick suite."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Marks them as slow: together they take longer than everything else."""
    for item in items:
        if item.path.is_relative_to(HERE):
            item.add_marker(pytest.mark.slow)
