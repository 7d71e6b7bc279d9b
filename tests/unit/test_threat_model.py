"""The threat model: every test that it names is there."""

from __future__ import annotations

import re

from tests.unit.source import ROOT

PAGE = ROOT / "harness" / "docs" / "threat-model.md"


def test_every_test_that_the_threat_model_names_is_there() -> None:
    """A promise without its test is none."""
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", PAGE.read_text(encoding="utf-8"))
    assert len(named) > 20
    missing = [
        f"{file}::{function}"
        for file, function in named
        if not (ROOT / file).is_file()
        or (function and f"def {function}(" not in (ROOT / file).read_text(encoding="utf-8"))
    ]
    assert missing == []
