"""A message of single numbers, given in the order of the wire: what is sent most often need not be an object first.

Only for messages whose fields all are single numbers, without extensions, and lie on the wire as they are declared.
"""

from __future__ import annotations

from pymavlink.dialects.v20 import common as mav


class Plain:
    """What is sent of one message: its class, and the values of its fields."""

    __slots__ = ("fields", "kind")

    def __init__(self, kind: type[mav.MAVLink_message], *fields: float) -> None:
        self.kind, self.fields = kind, fields
