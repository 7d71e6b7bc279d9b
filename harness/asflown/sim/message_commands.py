"""The commands that ask for messages: one now, or how often one goes."""

from __future__ import annotations

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.sim.answer import ACCEPTED, DENIED, NOT_NOW, Answer
from asflown.sim.commands import Command, Handler
from asflown.sim.downlink import Downlink
from asflown.sim.telemetry import Telemetry


class MessageCommands:
    """Reads their parameters, and puts what is asked for behind the answer."""

    def __init__(self, telemetry: Telemetry, downlink: Downlink) -> None:
        self._telemetry = telemetry
        self._downlink = downlink

    def handlers(self) -> dict[int, Handler]:
        """By MAV_CMD."""
        return {
            mav.MAV_CMD_GET_HOME_POSITION: lambda command: self._emit(mav.MAVLINK_MSG_ID_HOME_POSITION),
            mav.MAV_CMD_GET_MESSAGE_INTERVAL: self._get_interval,
            mav.MAV_CMD_SET_MESSAGE_INTERVAL: self._set_interval,
            mav.MAV_CMD_REQUEST_MESSAGE: self._request_message,
            mav.MAV_CMD_REQUEST_AUTOPILOT_CAPABILITIES: lambda command: self._emit(
                mav.MAVLINK_MSG_ID_AUTOPILOT_VERSION
            ),
        }

    def _request_message(self, command: Command) -> Answer:
        message_id = command.whole(1)
        if message_id == development.MAVLINK_MSG_ID_AVAILABLE_MODES:
            modes = self._telemetry.available_modes(command.whole(2) or 0)
            return Answer(ACCEPTED, then=lambda: self._send(modes)) if modes else Answer(DENIED)
        if message_id == mav.MAVLINK_MSG_ID_MESSAGE_INTERVAL:
            asked = command.whole(2)
            if asked is None:
                return Answer(DENIED)
            return Answer(ACCEPTED, then=lambda: self._telemetry.send_interval(asked))
        return Answer(DENIED) if message_id is None else self._emit(message_id)

    def _emit(self, message_id: int) -> Answer:
        if not self._telemetry.knows(message_id):
            return Answer(DENIED)
        message = self._telemetry.build(message_id)
        if message is None:
            return Answer(NOT_NOW)
        return Answer(ACCEPTED, then=lambda: self._downlink.send(message))

    def _get_interval(self, command: Command) -> Answer:
        message_id = command.whole(1)
        if message_id is None:
            return Answer(DENIED)
        return Answer(ACCEPTED, then=lambda: self._telemetry.send_interval(message_id))

    def _set_interval(self, command: Command) -> Answer:
        message_id, interval_us = command.whole(1), command.given(2)
        if message_id is None or interval_us is None or (interval_us < 0 and interval_us != -1.0):
            return Answer(DENIED)
        return Answer(ACCEPTED if self._telemetry.set_interval(message_id, interval_us) else DENIED)

    def _send(self, messages: list[mav.MAVLink_message]) -> None:
        for message in messages:
            self._downlink.send(message)
