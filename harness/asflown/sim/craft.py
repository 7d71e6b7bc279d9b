"""The built-in craft as a whole: uplink frames in, 10 ms at a time, downlink frames out.

Everything in a tick happens in one order: the flight core, messages as they came, mode logic, telemetry. No
clock is asked; time is what `tick` is given. Equal setups, uplinks and ticks give equal bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import Any

from pymavlink.dialects.v20 import common as mav
from pymavlink.dialects.v20 import development

from asflown.errors import VehicleProblem
from asflown.scenario.model import Identity
from asflown.sim import longer
from asflown.sim.autopilot import Autopilot
from asflown.sim.command_table import CommandTable
from asflown.sim.commands import CommandDesk, from_int, from_long
from asflown.sim.core import Core
from asflown.sim.downlink import AUTOPILOT_COMPONENT, Downlink
from asflown.sim.identity import Numbering
from asflown.sim.interface import CraftSetup, FlightCore
from asflown.sim.message_commands import MessageCommands
from asflown.sim.mission_service import MissionService
from asflown.sim.motion_watch import MotionWatch
from asflown.sim.parameter_service import ParameterService
from asflown.sim.parameters import PARAMETERS, Parameters, spec_by_name
from asflown.sim.plans import plans_of
from asflown.sim.position_messages import PositionDesk
from asflown.sim.set_points import SetPointRefused, from_global, from_local
from asflown.sim.sources import Sources
from asflown.sim.telemetry import Telemetry
from asflown.sim.uplink import Uplink

OWN_DEFAULTS: dict[str, dict[str, float]] = {
    "palm80": {"return.height": 4.0, "takeoff.height": 2.0, "drag": 0.6},
    "field1400": {"return.height": 15.0, "takeoff.height": 5.0, "drag": 0.15},
}
"""Parameter defaults that differ from airframe to airframe, beside the limits."""

Handler = Callable[[Any], None]


class Craft:
    """One built-in craft, from power-up on."""

    def __init__(
        self,
        setup: CraftSetup,
        identity: Identity,
        *,
        system: int = 1,
        epoch_us: int = 0,
        core: FlightCore | None = None,
    ) -> None:
        """`epoch_us` is the Unix time of flight time 0; `core` is for tests.

        Raises VehicleProblem for an identity that contradicts itself, and what the core raises for an airframe
        or release that it does not have.
        """
        numbering = Numbering(identity)
        self.system = system
        self.release = setup.release
        self._gains = dict(setup.gains)
        self.core: FlightCore = Core(setup) if core is None else core
        self._inbox: list[bytes] = []
        self._downlink = Downlink(system)
        self._uplink = Uplink()
        self._parameters = Parameters(self.core.limits, OWN_DEFAULTS.get(setup.airframe, {}))
        self.autopilot = Autopilot(self.core, numbering, self._parameters, identity, self._downlink)
        autopilot = self.autopilot
        self._missions = MissionService(
            autopilot.mission,
            plans_of(autopilot.mission, autopilot.fence, autopilot.situation),
            self._downlink,
            lambda: autopilot.core.armed and autopilot.mode is autopilot.mission,
            lambda: autopilot.paused_at is not None,
        )
        bytewise = identity.parameter_encoding == "bytewise"
        self._motion = MotionWatch(self.core, self._parameters)
        self._sources = Sources(
            autopilot, self._missions, self._uplink, self._motion, setup.release, 0, epoch_us, bytewise
        )
        self._positions = PositionDesk(self.core, self._downlink, self._sources)
        self._said_home: object = None
        self._flown = False
        self._telemetry = Telemetry(self._sources, self._downlink)
        self._parameter_service = ParameterService(self._parameters, self._downlink, bytewise=bytewise)
        self._table = CommandTable(autopilot, self._missions)
        messages = MessageCommands(self._telemetry, self._downlink)
        self._desk = CommandDesk(self._table.handlers() | messages.handlers(), self._downlink)
        self._handlers = self._handler_table()
        autopilot.on_mode_change = self._say_mode

    def power_up(self, now_us: int) -> None:
        """Says when its own clock began; flight time 0 without it."""
        self._sources.boot_us = self.autopilot.situation.now_us = now_us

    def receive(self, frame: bytes) -> None:
        """Takes one complete uplink frame; it is handled in the next tick."""
        self._inbox.append(frame)

    def fly_on(self) -> None:
        """The next 10 ms of physics, which depend on nothing that is yet to arrive; `tick` does it where nobody has."""
        if not self._flown:
            self._flown = True
            self.core.tick()

    def tick(self, now_us: int) -> None:
        """10 ms of life that end at flight time `now_us`: what arrived by then counts from then on."""
        self.fly_on()
        self._flown = False
        self.autopilot.situation.now_us = now_us
        if self._inbox:
            inbox, self._inbox = self._inbox, []
            for frame in inbox:
                self._handle(frame)
        self.autopilot.tick(now_us)
        self._motion.tick()
        if self.core.events.texts:
            self._pass_on_texts()
        if self.autopilot.situation.home is not self._said_home:
            self._say_home()
        self._parameter_service.tick(now_us)
        self._missions.tick(now_us)
        self._telemetry.tick()

    def take_frames(self) -> list[bytes]:
        """Downlink frames since the last call, in order."""
        return self._downlink.take()

    def truth_row(self) -> tuple[float, ...]:
        """In the order of record.truth.TRUTH_COLUMNS."""
        return self.core.truth_row()

    def drain_state(self) -> bytes:
        """The unquantised plant state at each step since the last call."""
        return self.core.drain_state()

    def retune(self, values: Mapping[str, float]) -> None:
        """Sets parameters before power-up. Raises VehicleProblem for one it does not have, or a value it refuses."""
        for name, value in values.items():
            spec = spec_by_name(name)
            if spec is None:
                raise VehicleProblem(
                    f"the built-in vehicle has no parameter `{name}`", "Take it out of the file"
                )
            refused = self._parameters.set(spec, value)
            if refused:
                raise VehicleProblem(
                    f"parameter {refused}, and not {value:g}", "Change the value in the file"
                )

    def parameters(self) -> dict[str, float]:
        """Names and values as they are now, in the order of the parameter protocol; then gains that were given."""
        return {spec.name: self._parameters[spec.name] for spec in PARAMETERS} | self._gains

    def parameters_sha256(self) -> str:
        """Over all parameter names and values as they are now, and the gains that were given."""
        found = self._parameters.sha256()
        if not self._gains:
            return found
        text = "\n".join([found, *(f"{name}={value!r}" for name, value in sorted(self._gains.items()))])
        return hashlib.sha256(text.encode()).hexdigest()

    def _pass_on_texts(self) -> None:
        for severity, text in self.core.events.texts:
            self._downlink.text(severity, text)
        self.core.events.texts.clear()

    def _say_home(self) -> None:
        self._said_home = self.autopilot.situation.home
        self._telemetry.send_now(mav.MAVLINK_MSG_ID_HOME_POSITION)

    def _say_mode(self) -> None:
        self._telemetry.send_now(development.MAVLINK_MSG_ID_CURRENT_MODE)

    def _handle(self, frame: bytes) -> None:
        message = self._uplink.decode(frame)
        if message is None or getattr(message, "target_system", 0) not in (0, self.system):
            return
        if getattr(message, "target_component", 0) not in (0, AUTOPILOT_COMPONENT):
            return
        handler = self._handlers.get(message.get_msgId())
        if handler is not None:
            handler(message)

    def _handler_table(self) -> dict[int, Handler]:
        parameters, missions, positions = self._parameter_service, self._missions, self._positions
        return {
            mav.MAVLINK_MSG_ID_HEARTBEAT: self._heartbeat,
            mav.MAVLINK_MSG_ID_COMMAND_LONG: self._command_long,
            mav.MAVLINK_MSG_ID_COMMAND_INT: self._command_int,
            mav.MAVLINK_MSG_ID_SET_MODE: self._set_mode,
            mav.MAVLINK_MSG_ID_SET_POSITION_TARGET_LOCAL_NED: self._set_point(from_local),
            mav.MAVLINK_MSG_ID_SET_POSITION_TARGET_GLOBAL_INT: self._set_point(from_global),
            mav.MAVLINK_MSG_ID_PARAM_REQUEST_LIST: lambda m: parameters.request_list(self._now_us),
            mav.MAVLINK_MSG_ID_PARAM_REQUEST_READ: lambda m: parameters.request_read(m, self._now_us),
            mav.MAVLINK_MSG_ID_PARAM_SET: lambda m: parameters.set(m, self._now_us),
            mav.MAVLINK_MSG_ID_MISSION_COUNT: lambda m: missions.count(m, self._now_us),
            mav.MAVLINK_MSG_ID_MISSION_ITEM: lambda m: missions.item(m, self._now_us),
            mav.MAVLINK_MSG_ID_MISSION_ITEM_INT: lambda m: missions.item(m, self._now_us),
            mav.MAVLINK_MSG_ID_MISSION_WRITE_PARTIAL_LIST: lambda m: missions.write_partial(m, self._now_us),
            mav.MAVLINK_MSG_ID_MISSION_REQUEST_PARTIAL_LIST: missions.request_partial,
            mav.MAVLINK_MSG_ID_MISSION_REQUEST_LIST: missions.request_list,
            mav.MAVLINK_MSG_ID_MISSION_REQUEST: missions.request,
            mav.MAVLINK_MSG_ID_MISSION_REQUEST_INT: missions.request,
            mav.MAVLINK_MSG_ID_MISSION_CLEAR_ALL: missions.clear_all,
            mav.MAVLINK_MSG_ID_MISSION_ACK: missions.ack,
            mav.MAVLINK_MSG_ID_MISSION_SET_CURRENT: self._mission_set_current,
            mav.MAVLINK_MSG_ID_REQUEST_DATA_STREAM: self._data_stream,
            mav.MAVLINK_MSG_ID_MANUAL_CONTROL: self._manual_control,
            mav.MAVLINK_MSG_ID_RC_CHANNELS_OVERRIDE: self._override,
            mav.MAVLINK_MSG_ID_TIMESYNC: self._timesync,
            mav.MAVLINK_MSG_ID_PING: self._ping,
            mav.MAVLINK_MSG_ID_ODOMETRY: lambda m: positions.odometry(m, self._now_us),
            mav.MAVLINK_MSG_ID_VISION_POSITION_ESTIMATE: lambda m: positions.vision(m, self._now_us),
            mav.MAVLINK_MSG_ID_SET_GPS_GLOBAL_ORIGIN: self._set_origin,
        }

    @property
    def _now_us(self) -> int:
        return self.autopilot.situation.now_us

    def _heartbeat(self, message: mav.MAVLink_heartbeat_message) -> None:
        own = (message.get_srcSystem(), message.get_srcComponent()) == (self.system, AUTOPILOT_COMPONENT)
        if not own:
            self.autopilot.ground_heard()

    def _command_long(self, message: mav.MAVLink_command_long_message) -> None:
        self._desk.take(from_long(message), message.confirmation, self._now_us)

    def _command_int(self, message: mav.MAVLink_command_int_message) -> None:
        self._desk.take(from_int(message), 0, self._now_us)

    def _set_mode(self, message: mav.MAVLink_set_mode_message) -> None:
        """The old message: not acknowledged, so a refusal is told in words alone."""
        answer = self._table.set_mode(message.base_mode, message.custom_mode)
        if answer.text:
            self._downlink.refusal(answer.text, self._now_us)

    def _set_point(self, resolve: Callable[..., Any]) -> Handler:
        def handle(message: Any) -> None:
            try:
                refused = self.autopilot.set_point(resolve(message, self.autopilot.vantage()))
            except SetPointRefused as problem:
                refused = str(problem)
            if refused:
                self._downlink.refusal(refused, self._now_us)

        return handle

    def _mission_set_current(self, message: mav.MAVLink_mission_set_current_message) -> None:
        if not self._missions.set_current(message.seq):
            self._downlink.refusal(f"mission: there is no item {message.seq}", self._now_us)

    def _manual_control(self, message: mav.MAVLink_manual_control_message) -> None:
        """The message names its target in a field of its own."""
        if message.target not in (0, self.system):
            return
        autopilot = self.autopilot
        axes = (message.x, message.y, message.z, message.r)
        neutral = int(self._parameters["sticks.neutral"])
        autopilot.situation.sticks.manual(axes, self._now_us, up_neutral=neutral)
        autopilot.sticks_heard()

    def _override(self, message: mav.MAVLink_rc_channels_override_message) -> None:
        values = [getattr(message, f"chan{number}_raw") for number in range(1, 19)]
        self.autopilot.situation.sticks.override(values, self._now_us)
        self.autopilot.sticks_heard()

    def _data_stream(self, message: mav.MAVLink_request_data_stream_message) -> None:
        start = bool(message.start_stop)
        self._telemetry.set_data_stream(message.req_stream_id, message.req_message_rate, start)

    def _timesync(self, message: mav.MAVLink_timesync_message) -> None:
        """Answers a request (tc1 = 0); the time since power-up is never given as 0, which would be a request."""
        if message.tc1 == 0:
            own_ns = max(1, self._now_us * 1000)
            peer = message.get_srcSystem(), message.get_srcComponent()
            self._downlink.send(longer.timesync(own_ns, message.ts1, peer))

    def _set_origin(self, message: mav.MAVLink_set_gps_global_origin_message) -> None:
        """Answered with GPS_GLOBAL_ORIGIN, whether it is the one that was asked for or the one that GNSS has given."""
        place_deg = message.latitude / 1e7, message.longitude / 1e7
        if abs(place_deg[0]) > 90.0 or abs(place_deg[1]) > 180.0:
            self._downlink.refusal("origin refused: no such place", self._now_us)
            return
        if not self.core.set_origin(*place_deg, message.altitude / 1e3):
            self._downlink.refusal("origin refused: GNSS has named it", self._now_us)
        self._telemetry.send_now(mav.MAVLINK_MSG_ID_GPS_GLOBAL_ORIGIN)

    def _ping(self, message: mav.MAVLink_ping_message) -> None:
        """Answers a request (no target); a ping with a target is an answer itself."""
        if message.target_system == 0 and message.target_component == 0:
            peer = message.get_srcSystem(), message.get_srcComponent()
            self._downlink.send(mav.MAVLink_ping_message(message.time_usec, message.seq, *peer))
