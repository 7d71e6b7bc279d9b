"""Which report goes when: default rates, and the rates that scripts ask for.

Reports are due at ticks of 10 ms. Streams of one rate are spread over its interval, so that a link is not hit by
all of them at once. Heartbeats cannot be switched off.
"""

from __future__ import annotations

from dataclasses import dataclass

from pymavlink.dialects.v20 import common as mav

from asflown.sim import reports
from asflown.sim.downlink import Downlink
from asflown.sim.interface import TICK_US
from asflown.sim.longer import Longer
from asflown.sim.plain import Plain
from asflown.sim.report_table import REPORTS, SECOND_US, Report
from asflown.sim.sources import Sources

SLOWEST_US = 3_600 * SECOND_US
_SPREAD_TICKS = 3


@dataclass(slots=True)
class Stream:
    """One report that goes regularly; `interval_ticks` 0 means that it does not."""

    report: Report
    interval_ticks: int
    due_tick: int


class Telemetry:
    """The streams of one craft."""

    def __init__(self, sources: Sources, downlink: Downlink) -> None:
        self._sources = sources
        self._downlink = downlink
        self._tick = 0
        self._due: dict[int, list[Stream]] = {}
        self._streams: dict[int, Stream] = {}
        for number, (message_id, report) in enumerate(REPORTS.items()):
            interval = report.interval_us // TICK_US
            stream = Stream(report, interval, 0)
            self._streams[message_id] = stream
            if interval:
                self._plan(stream, number * _SPREAD_TICKS % interval)

    def tick(self) -> None:
        """Sends what is due now."""
        for stream in self._due.pop(self._tick, ()):
            if stream.due_tick == self._tick and stream.interval_ticks:
                self._plan(stream, self._tick + stream.interval_ticks)
                self._send(stream.report)
        self._tick += 1

    def knows(self, message_id: int) -> bool:
        """Whether the craft has such a message."""
        return message_id in REPORTS

    def send_now(self, message_id: int) -> bool:
        """One instance beside the stream; False when there is nothing to report."""
        return self._send(REPORTS[message_id])

    def available_modes(self, index: int) -> list[mav.MAVLink_message]:
        """AVAILABLE_MODES of one index, or of all for 0; empty when there is none."""
        count = len(self._sources.autopilot.numbering.modes())
        indices = range(1, count + 1) if index == 0 else range(index, index + 1)
        return [reports.available_mode(self._sources, one) for one in indices if 1 <= one <= count]

    def build(self, message_id: int) -> mav.MAVLink_message | Longer | Plain | None:
        """One instance, not sent; None when there is nothing to report."""
        return REPORTS[message_id].build(self._sources)

    def set_interval(self, message_id: int, interval_us: float) -> bool:
        """-1 ends the stream, 0 is its default, else microseconds, at least one tick. False when refused."""
        stream = self._streams.get(message_id)
        if stream is None or (message_id == mav.MAVLINK_MSG_ID_HEARTBEAT and interval_us < 0):
            return False
        if interval_us < 0:
            stream.interval_ticks = 0
            return True
        wanted_us = interval_us or stream.report.interval_us
        stream.interval_ticks = round(min(wanted_us, SLOWEST_US) / TICK_US)
        if wanted_us:
            stream.interval_ticks = max(1, stream.interval_ticks)
            self._plan(stream, self._tick)
        return True

    def send_interval(self, message_id: int) -> None:
        """MESSAGE_INTERVAL: -1 for a message that does not go, 0 for one that there is not."""
        stream = self._streams.get(message_id)
        interval_us = 0 if stream is None else stream.interval_ticks * TICK_US or -1
        self._downlink.send(mav.MAVLink_message_interval_message(message_id & 0xFFFF, interval_us))

    def set_data_stream(self, group: int, rate_hz: int, start: bool) -> None:
        """The older REQUEST_DATA_STREAM: one rate for all messages of a group (0: of every group)."""
        interval_us = SECOND_US / rate_hz if start and rate_hz > 0 else -1
        for message_id, stream in self._streams.items():
            if stream.report.stream and group in (0, stream.report.stream):
                self.set_interval(message_id, interval_us)

    def _plan(self, stream: Stream, tick: int) -> None:
        stream.due_tick = tick
        self._due.setdefault(tick, []).append(stream)

    def _send(self, report: Report) -> bool:
        message = report.build(self._sources)
        if message is None:
            return False
        self._downlink.send(message)
        return True
