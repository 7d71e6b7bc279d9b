"""The conformance table in the guides is what the vehicle does, and it is complete."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conformance import table
from tests.conformance.cases import COMMANDS, MESSAGES

WRITTEN = Path(__file__).parents[2] / "harness" / "docs" / "conformance.md"


@pytest.mark.slow
def test_the_table_is_what_the_vehicle_does() -> None:
    """Written again from a run, word for word: `python -m tests.conformance.table > harness/docs/conformance.md`."""
    assert table.document() == WRITTEN.read_text(encoding="utf-8")


def test_every_command_and_message_that_is_known_has_a_case() -> None:
    """What the vehicle handles and what the table shows are the same."""
    craft = table.Flown(in_air=False).craft
    assert {case.number for case in COMMANDS} == set(craft._desk._handlers)
    handled = {message.get_msgId() for case in MESSAGES for message in case.messages}
    assert handled == set(craft._handlers)
