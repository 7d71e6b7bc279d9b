"""How high the vehicle will come home, followed through the parameter that says so, as it passes by."""

from __future__ import annotations

import struct

from pymavlink.dialects.v20 import common

from asflown.flight.guard_terms import GuardTerms
from asflown.link import wire

_INTEGERS = {
    int(common.MAV_PARAM_TYPE_UINT8): "<B",
    int(common.MAV_PARAM_TYPE_INT8): "<b",
    int(common.MAV_PARAM_TYPE_UINT16): "<H",
    int(common.MAV_PARAM_TYPE_INT16): "<h",
    int(common.MAV_PARAM_TYPE_UINT32): "<I",
    int(common.MAV_PARAM_TYPE_INT32): "<i",
}


class ReturnHeight:
    """In metres above home; not known until somebody says it."""

    def __init__(self, terms: GuardTerms) -> None:
        self._terms = terms
        self.height_m = terms.return_height_m

    def frame(self, frame: bytes) -> None:
        """Takes a frame of the vehicle."""
        if wire.message_id(frame) != common.MAVLINK_MSG_ID_PARAM_VALUE:
            return
        payload = wire.payload(frame).ljust(25, b"\0")
        name = payload[8:24].split(b"\0")[0].decode("ascii", "replace")
        if name != self._terms.return_height_parameter:
            return
        kind = payload[24]
        bytewise = self._terms.bytewise_parameters and kind in _INTEGERS
        (value,) = struct.unpack_from(_INTEGERS[kind] if bytewise else "<f", payload)
        self.height_m = value * self._terms.return_height_unit_m

    def breaks(self, ceiling_m: float | None) -> bool:
        """Whether a return would climb above the ceiling, as far as is known."""
        return ceiling_m is not None and self.height_m is not None and self.height_m > ceiling_m
