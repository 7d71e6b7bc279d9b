"""The guide for using record and grade as a library: its examples run, and print what the page shows."""

from __future__ import annotations

import contextlib
import io
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.unit.cli.test_grade import SCENARIO
from tests.unit.grade.flights import flight_of
from tests.unit.grade.paths import round_trip
from tests.unit.record.flown import write_flight

PAGE = Path(__file__).parents[3] / "harness" / "docs" / "library.md"
EXAMPLE = re.compile(r"```python\n(.*?)```\n+```text\n(.*?)```", re.DOTALL)


def test_examples_print_what_the_page_shows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All examples, one after the other in one program, on the capture of an invented flight."""
    folder = write_flight(tmp_path / "flight", flight_of(round_trip()))
    shutil.copy(folder / "vehicle.tlog", tmp_path / "field-day.tlog")
    (tmp_path / "fly.py").touch()
    (tmp_path / "round.scenario.yaml").write_text(SCENARIO)
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    examples = EXAMPLE.findall(PAGE.read_text(encoding="utf-8"))
    shown = []
    for code, _ in examples:
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(code, names)
        shown.append(printed.getvalue())
    assert len(examples) == 6
    assert shown == [output for _, output in examples]
