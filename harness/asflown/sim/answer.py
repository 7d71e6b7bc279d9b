"""The answer to a request: a result of the command protocol, and words when it is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

ACCEPTED = int(mav.MAV_RESULT_ACCEPTED)
NOT_NOW = int(mav.MAV_RESULT_TEMPORARILY_REJECTED)
DENIED = int(mav.MAV_RESULT_DENIED)
UNSUPPORTED = int(mav.MAV_RESULT_UNSUPPORTED)
FAILED = int(mav.MAV_RESULT_FAILED)
COMMAND_INT_ONLY = int(mav.MAV_RESULT_COMMAND_INT_ONLY)
UNSUPPORTED_FRAME = 9
"""MAV_RESULT_COMMAND_UNSUPPORTED_MAV_FRAME of the standard's guide; pymavlink's enumeration ends before it."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The result of a request (MAV_RESULT), and why it was refused."""

    result: int
    text: str = ""
    then: Callable[[], None] | None = None
    """What is to be done right after the result was sent."""


YES = Answer(ACCEPTED)
