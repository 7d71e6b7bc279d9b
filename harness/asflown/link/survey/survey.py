"""The survey of a link: meets the vehicle, listens, fills the link both ways if it may, then measures delay and loss.

A vehicle that is armed, or becomes so, is only listened to and asked for its time now and then: nothing is made more
frequent, and what was changed is put back. Works on any clock; the endpoint is the raw one, with no hub in between,
so that sequence numbers tell the truth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pymavlink.dialects.v20 import development

from asflown.clock.base import Clock, Timer
from asflown.errors import LinkProblem
from asflown.link.base import Endpoint
from asflown.link.survey.delays import delays_of
from asflown.link.survey.down_capacity import DownCapacity, DownSurvey, Rate, rate_of
from asflown.link.survey.ears import Ears, Heard
from asflown.link.survey.findings import PROBE_BYTES, Findings, MessageRate, radio_says
from asflown.link.survey.loss_fit import fit
from asflown.link.survey.loss_model import Observed
from asflown.link.survey.losses import down_losses, up_losses
from asflown.link.survey.sequence import lost_between
from asflown.link.survey.streams import OFF_US, Streams, VehicleArmed
from asflown.link.survey.up_capacity import UpSurvey
from asflown.link.survey.voice import Voice

HEARTBEAT_US = 1_000_000
MEET_US, LISTEN_US, LINGER_US = 15_000_000, 6_000_000, 3_000_000
SHARE_FOR_PROBES = 0.25
SLOWEST_HZ, FASTEST_HZ, ARMED_HZ = 2.0, 40.0, 2.0
_HEARTBEAT = 0
_GOLDEN = 0.6180339887498949


@dataclass(frozen=True, slots=True)
class Plan:
    """What to measure, and for how long the loss."""

    link: str
    """As the findings name it."""
    seconds: float = 60.0
    fill: bool = True
    """Whether the link may be filled (never while armed)."""


@dataclass(frozen=True, slots=True)
class _Probed:
    """The stamps that were asked with, and what arrived each way meanwhile."""

    asked: list[int]
    up: Observed
    down: Observed


Say = Callable[[str], None]
"""Told in a few words what the survey does now."""


async def survey(clock: Clock, endpoint: Endpoint, plan: Plan, say: Say) -> Findings:
    """Opens the endpoint, surveys, puts everything back and closes it.

    Raises LinkProblem when no vehicle is heard, or the endpoint cannot be opened.
    """
    return await _Survey(clock, endpoint, plan, say).run()


class _Survey:
    def __init__(self, clock: Clock, endpoint: Endpoint, plan: Plan, say: Say) -> None:
        self._clock, self._endpoint, self._plan, self._say = clock, endpoint, plan, say
        self._ears = Ears(clock)
        self._voice = Voice(clock, endpoint, self._ears)
        self._streams = Streams(clock, self._voice, self._ears)
        self._beat: Timer | None = None
        self._quiet_beat = False
        self._notes: list[str] = []
        self._was_armed = False
        self._sizes: dict[int, float] = {}
        self._heaviest: list[int] = []
        self._up: Rate | None = None
        self._down: DownCapacity | None = None

    async def run(self) -> Findings:
        endpoint, ears, clock = self._endpoint, self._ears, self._clock
        endpoint.on_frame = ears.take
        endpoint.open()
        began_us = clock.now_us()
        try:
            self._keep_beating()
            await self._meet()
            messages, telemetry = await self._listen()
            await self._fill()
            probed = await self._probe()
            await self._put_back()
        except BaseException:
            if ears.vehicle is not None:
                self._streams.restore_blindly()
            raise
        finally:
            if self._beat is not None:
                self._beat.cancel()
            endpoint.close()
        return self._findings(messages, telemetry, probed, (clock.now_us() - began_us) / 1e6)

    # In order

    async def _meet(self) -> None:
        self._say("waiting for a vehicle")
        until_us = self._clock.now_us() + MEET_US
        while self._ears.vehicle is None:
            if self._clock.now_us() > until_us:
                raise LinkProblem(
                    f"no heartbeat of an autopilot on {self._plan.link} within {MEET_US / 1e6:g} s",
                    "Check that the vehicle is powered, and that nobody else has its port",
                )
            await self._sleep(50_000)

    async def _listen(self) -> tuple[tuple[MessageRate, ...], float]:
        self._say("listening to what the vehicle sends by itself")
        start = len(self._ears.frames)
        await self._sleep(LISTEN_US)
        window = self._ears.frames[start:]
        missing = lost_between(window)
        if missing > len(window) / 4:
            self._notes.append(
                f"the vehicle sends more by itself than the link carries: {missing} of {missing + len(window)}"
                " frames were missing while it was left alone"
            )
        seconds = LISTEN_US / 1e6
        rates = _message_rates(window, seconds)
        known = [rate for rate in rates if rate.message != _HEARTBEAT]
        self._sizes = {rate.message: rate.mean_bytes for rate in known}
        heaviest = sorted(known, key=lambda rate: -rate.per_s * rate.mean_bytes)
        self._heaviest = [rate.message for rate in heaviest]
        return rates, sum(heard.size_bytes for heard in window) / seconds

    async def _fill(self) -> None:
        """Fills the link both ways, if that is allowed; quiet streams are left quiet."""
        if not self._plan.fill:
            self._notes.append("rates were not measured, because that was not asked for")
            return
        try:
            await self._silence()
            self._say("filling the way down, step by step")
            sizes = {m: size for m, size in self._sizes.items() if m not in self._streams.refused}
            self._quiet_beat = True
            down = DownSurvey(self._clock, self._voice, self._ears, self._streams)
            self._down = await down.run(sizes)
            self._say("filling the way up, train by train")
            full = rate_of(self._down.full)
            guess = full.bytes_per_s if full is not None else self._down.most_bytes_per_s
            overhead = full.overhead_bytes if len(self._down.full) > 1 and full is not None else None
            self._up = await UpSurvey(self._clock, self._voice, self._ears).run(guess, overhead)
        except VehicleArmed:
            self._note_armed()
        finally:
            self._quiet_beat = False
        if self._down is not None and not self._down.full:
            self._notes.append(
                "the vehicle cannot send enough to fill the way down: it carries at least"
                f" {self._down.most_bytes_per_s:.0f} B/s"
            )
        if self._down is not None and self._up is None:
            self._notes.append("the way up is quicker than can be told from here")

    async def _silence(self) -> None:
        """The heaviest first: where telemetry overloads the link, acknowledgements get through the better for it."""
        self._say("quietening the vehicle's telemetry")
        for message in self._heaviest:
            await self._streams.set(message, OFF_US)

    async def _probe(self) -> _Probed:
        """Asks for the time all along."""
        rate_hz = self._probe_rate_hz()
        self._say(f"measuring delay and loss for {self._plan.seconds:.0f} s, {rate_hz:.0f} probes a second")
        first_said, first_heard = len(self._voice.said), len(self._ears.frames)
        asked: list[int] = []
        end_us = self._clock.now_us() + round(self._plan.seconds * 1e6)
        while self._clock.now_us() < end_us:
            asked.append(self._voice.probe())
            if self._ears.armed and not self._was_armed:
                self._note_armed()
                await self._put_back()
                rate_hz = ARMED_HZ
            step = 0.7 + 0.6 * (
                len(asked) * _GOLDEN % 1
            )  # uneven, so that no step of the vehicle's is always met
            await self._sleep(round(step * 1e6 / rate_hz))
        await self._sleep(LINGER_US)
        return _Probed(
            asked,
            up_losses(self._voice.said[first_said:], self._ears.answers, self._ears.frames),
            down_losses(self._ears.frames[first_heard:]),
        )

    async def _put_back(self) -> None:
        failed = await self._streams.restore()
        if failed:
            names = ", ".join(_name(message) for message in failed)
            self._notes.append(f"the vehicle did not confirm that these are as often as before: {names}")

    # Parts

    def _probe_rate_hz(self) -> float:
        if self._ears.armed:
            self._note_armed()
            return ARMED_HZ
        down = rate_of(self._down.full) if self._down is not None else None
        known = [rate for rate in (self._up, down) if rate is not None]
        if not known:
            return FASTEST_HZ if self._down is not None else 10.0
        slowest = min(known, key=lambda rate: rate.bytes_per_s)
        room_hz = SHARE_FOR_PROBES * slowest.bytes_per_s / (PROBE_BYTES + slowest.overhead_bytes)
        return max(SLOWEST_HZ, min(FASTEST_HZ, room_hz))

    def _note_armed(self) -> None:
        if not self._was_armed:
            self._was_armed = True
            self._notes.append("the vehicle is armed: the link was not filled")

    def _findings(
        self,
        messages: tuple[MessageRate, ...],
        telemetry: float,
        probed: _Probed,
        seconds: float,
    ) -> Findings:
        assert self._ears.vehicle is not None
        delays = delays_of(probed.asked, self._ears.answers, self._clock.epoch_us)
        if delays is None:
            self._notes.append("the vehicle does not answer TIMESYNC: no delays, and no loss on the way up")
        return Findings(
            self._plan.link,
            *self._ears.vehicle,
            seconds,
            self._was_armed,
            messages,
            telemetry,
            self._up,
            rate_of(self._down.full) if self._down is not None else None,
            self._down,
            delays,
            fit(probed.up),
            fit(probed.down),
            radio_says(self._ears.statuses),
            tuple(self._notes),
        )

    def _keep_beating(self) -> None:
        """A heartbeat a second, but for while the way down is measured alone."""
        self._beat = self._clock.call_at(self._clock.now_us() + HEARTBEAT_US, self._keep_beating)
        if not self._quiet_beat:
            self._voice.heartbeat()

    async def _sleep(self, duration_us: int) -> None:
        await self._clock.sleep_until(self._clock.now_us() + duration_us)


def _message_rates(window: list[Heard], seconds: float) -> tuple[MessageRate, ...]:
    """By message, the most frequent first."""
    sizes: dict[int, list[int]] = {}
    for heard in window:
        sizes.setdefault(heard.message, []).append(heard.size_bytes)
    rates = [
        MessageRate(_name(message), message, len(found) / seconds, sum(found) / len(found))
        for message, found in sizes.items()
    ]
    return tuple(sorted(rates, key=lambda rate: (-rate.per_s, rate.message)))


def _name(message: int) -> str:
    known = development.mavlink_map.get(message)
    return str(known.msgname) if known is not None else f"message {message}"
