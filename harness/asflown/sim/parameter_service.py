"""The parameter protocol as the vehicle's side of it: list, read by name or index, set.

Whole numbers travel in the float field by C cast, or byte by byte where the vehicle file says so; which of the two
AUTOPILOT_VERSION announces. A list is paced to one value
in 20 ms, about 40 % of a 57,600 baud link. PARAM_SET is answered to everybody with the value that now holds.
"""

from __future__ import annotations

import struct

from pymavlink.dialects.v20 import common as mav

from asflown.sim.downlink import Downlink
from asflown.sim.parameters import PARAMETERS, REAL, Parameters, ParameterSpec, index_of, spec_by_name

_LIST_INTERVAL_US = 20_000


_LAYOUT = {
    mav.MAV_PARAM_TYPE_UINT8: "<B3x",
    mav.MAV_PARAM_TYPE_INT8: "<b3x",
    mav.MAV_PARAM_TYPE_UINT16: "<H2x",
    mav.MAV_PARAM_TYPE_INT16: "<h2x",
    mav.MAV_PARAM_TYPE_UINT32: "<I",
    mav.MAV_PARAM_TYPE_INT32: "<i",
}
"""How a whole number lies in the four bytes of the float field."""


class ParameterService:
    """Answers parameter messages."""

    def __init__(self, parameters: Parameters, downlink: Downlink, *, bytewise: bool = False) -> None:
        self._parameters = parameters
        self._bytewise = bytewise
        self._downlink = downlink
        self._listed = len(PARAMETERS)
        self._next_us = 0

    def request_list(self, now_us: int) -> None:
        """PARAM_REQUEST_LIST: all of them, from the first, one after the other."""
        self._listed, self._next_us = 0, now_us

    def request_read(self, message: mav.MAVLink_param_request_read_message, now_us: int) -> None:
        """PARAM_REQUEST_READ: by name when the index is -1."""
        spec = self._find(message)
        if spec is None:
            asked = f"index {message.param_index}" if message.param_index >= 0 else message.param_id
            self._downlink.refusal(f"parameter {asked}: there is none", now_us)
        else:
            self._send(spec)

    def set(self, message: mav.MAVLink_param_set_message, now_us: int) -> None:
        """PARAM_SET: answered with the value that now holds, changed or not; an unknown name by words alone."""
        spec = spec_by_name(message.param_id)
        if spec is None:
            self._downlink.refusal(f"parameter {message.param_id}: there is none", now_us)
            return
        refused = f"{spec.name}: wrong type" if message.param_type != spec.kind else ""
        refused = refused or self._parameters.set(spec, self._received(spec, message.param_value))
        if refused:
            self._downlink.refusal(f"parameter {refused}", now_us)
        self._send(spec)

    def tick(self, now_us: int) -> None:
        """Goes on with the list."""
        if self._listed < len(PARAMETERS) and now_us >= self._next_us:
            self._send(PARAMETERS[self._listed])
            self._listed += 1
            self._next_us = now_us + _LIST_INTERVAL_US

    @staticmethod
    def _find(message: mav.MAVLink_param_request_read_message) -> ParameterSpec | None:
        if message.param_index < 0:
            return spec_by_name(message.param_id)
        return PARAMETERS[message.param_index] if message.param_index < len(PARAMETERS) else None

    def _send(self, spec: ParameterSpec) -> None:
        value = self._sent(spec, self._parameters[spec.name])
        self._downlink.send(
            mav.MAVLink_param_value_message(
                spec.name.encode(), value, spec.kind, len(PARAMETERS), index_of(spec)
            )
        )

    def _received(self, spec: ParameterSpec, field: float) -> float:
        if not self._bytewise or spec.kind == REAL:
            return field
        return float(struct.unpack(_LAYOUT[spec.kind], struct.pack("<f", field))[0])

    def _sent(self, spec: ParameterSpec, value: float) -> float:
        if not self._bytewise or spec.kind == REAL:
            return value
        return float(struct.unpack("<f", struct.pack(_LAYOUT[spec.kind], int(value)))[0])
