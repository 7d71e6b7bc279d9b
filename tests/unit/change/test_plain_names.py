"""Words before the standard's names."""

from __future__ import annotations

import pytest
from pymavlink.dialects.v20 import common as mav

from asflown.change import plain_names
from asflown.change.plain_names import command_in_words, message_in_words


@pytest.mark.parametrize(
    ("title", "says"),
    [
        ("ATTITUDE", "attitude (ATTITUDE)"),
        ("COMMAND_LONG NAV_LAND", "the command to land (COMMAND_LONG NAV_LAND)"),
        ("COMMAND_INT command 4711", "COMMAND_INT command 4711"),
        ("message 16000000", "message 16000000"),
    ],
)
def test_words_stand_before_the_name(title: str, says: str) -> None:
    """Where there are none, the name stands alone."""
    assert message_in_words(title) == says


def test_every_name_is_one_of_the_standard() -> None:
    """By the definitions that pymavlink carries: a misspelt one would never be found."""
    commands = {entry.name.removeprefix("MAV_CMD_") for entry in mav.enums["MAV_CMD"].values()}
    assert {name for name in plain_names._COMMANDS if name not in commands} <= {"DO_SET_STANDARD_MODE"}
    assert set(plain_names._MESSAGES) <= {made.msgname for made in mav.mavlink_map.values()}
    assert command_in_words("NAV_TAKEOFF") == "take off (NAV_TAKEOFF)"
