"""What a survey found: plain data, the document that machines read, and the profile that behaves the same.

Rates are bytes a second on the air, times milliseconds; every estimate of loss has its 95 % interval.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from statistics import median_low
from typing import Any

from asflown.link.survey.delays import Delays
from asflown.link.survey.down_capacity import DownCapacity, Rate
from asflown.link.survey.ears import Status
from asflown.link.survey.loss_fit import LossFit

SCHEMA_VERSION = 1
_KNOWN_AT_MOST = 254
"""Of a signal strength; 255 says that it is not known."""


@dataclass(frozen=True, slots=True)
class MessageRate:
    """One message that the vehicle sent by itself."""

    name: str
    message: int
    per_s: float
    mean_bytes: float
    """Of a frame."""


@dataclass(frozen=True, slots=True)
class RadioSays:
    """How the radio on our side reports by RADIO_STATUS; medians, strengths in its own units."""

    every_s: float
    rssi: int
    noise: int


def radio_says(statuses: list[Status]) -> RadioSays | None:
    """None when it reported less than twice."""
    if len(statuses) < 2:
        return None
    every_s = (statuses[-1].time_us - statuses[0].time_us) / 1e6 / (len(statuses) - 1)
    rssi, noise = (
        median_low(column) for column in zip(*((one.rssi, one.noise) for one in statuses), strict=True)
    )
    return RadioSays(every_s, rssi, noise)


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything that was found. What could not be found is None, and `notes` says why."""

    link: str
    system: int
    component: int
    seconds: float
    armed: bool
    """Whether the vehicle was seen armed: then nothing was made more frequent."""
    messages: tuple[MessageRate, ...]
    telemetry_bytes_per_s: float
    """As the vehicle sends when it is left alone."""
    rate_up: Rate | None
    rate_down: Rate | None
    down: DownCapacity | None
    delays: Delays | None
    loss_up: LossFit | None
    loss_down: LossFit | None
    radio: RadioSays | None
    notes: tuple[str, ...]

    @property
    def half_duplex(self) -> bool:
        """Whether what goes up takes from what comes down."""
        share = self.down.share_while_up_is_full if self.down is not None else None
        return share is not None and share < HALF_DUPLEX_BELOW

    @property
    def latency_ms(self) -> float | None:
        """Each way, from the last byte sent to the frame received; None without answers."""
        if self.delays is None:
            return None
        air_ms = sum(_air_time_ms(rate) for rate in (self.rate_up, self.rate_down)) / 2
        return max(0.0, self.delays.least_way_ms - air_ms)

    def document(self) -> dict[str, Any]:
        """For JSON."""
        return {
            "schema_version": SCHEMA_VERSION,
            **asdict(self),
            "half_duplex": self.half_duplex,
            "latency_ms": self.latency_ms,
        }


HALF_DUPLEX_BELOW = 0.8
PROBE_BYTES = 28
"""A TIMESYNC frame, version 2, with both times in it; one with a time of 0 ahead is as long."""


def _air_time_ms(rate: Rate | None) -> float:
    return 0.0 if rate is None else 1000 * (PROBE_BYTES + rate.overhead_bytes) / rate.bytes_per_s


def profile_yaml(findings: Findings, name: str) -> str:
    """A radio profile that behaves as the link did, as text for a file."""
    lines = [
        "asflown: 1",
        f"name: {name}",
        f"summary: As surveyed for {findings.seconds:.0f} s.",
        "# Latency is half of the least round trip, less the time on the air: a survey from the ground cannot see how",
        "# it divides between up and down. Jitter includes what the vehicle takes to answer.",
    ]
    if findings.half_duplex and findings.rate_up is not None and findings.rate_down is not None:
        lines.append("half_duplex: {}")
    if findings.radio is not None:
        said = findings.radio
        strengths = f"rssi: {min(said.rssi, _KNOWN_AT_MOST)}, noise: {min(said.noise, _KNOWN_AT_MOST)}"
        lines.append(f"status: {{every: {max(0.01, said.every_s):.2f} s, {strengths}}}")
    spreads = (
        (findings.delays.up_spread_ms, findings.delays.down_spread_ms) if findings.delays else (0.0, 0.0)
    )
    lines += _lane("up", findings, findings.rate_up, spreads[0], findings.loss_up, None)
    lines += _lane("down", findings, findings.rate_down, spreads[1], findings.loss_down, findings.down)
    return "\n".join(lines) + "\n"


def _lane(
    key: str,
    findings: Findings,
    rate: Rate | None,
    spread_ms: float,
    loss: LossFit | None,
    capacity: DownCapacity | None,
) -> list[str]:
    lines = []
    if rate is not None:
        lines += [f"  rate: {round(rate.bytes_per_s)} B/s", f"  overhead: {round(rate.overhead_bytes)} B"]
    if rate is not None and capacity is not None and capacity.deepest_queue_us:
        lines.append(f"  buffer: {round(rate.bytes_per_s * capacity.deepest_queue_us / 1e6)} B")
    if findings.latency_ms is not None:
        lines.append(f"  latency: {findings.latency_ms:.2f} ms")
        lines.append(f"  jitter: {max(0.0, spread_ms) / 0.9:.2f} ms")
    if loss is not None and loss.bursts:
        shares = f"good_to_bad: {_percent(loss.good_to_bad)}, bad_to_good: {_percent(loss.bad_to_good)}"
        background = f", in_good: {_percent(loss.in_good)}" if loss.in_good > 1e-6 else ""
        lines.append(f"  loss: {{{shares}{background}}}")
    return [f"{key}:", *lines] if lines else [f"{key}: {{}}"]


def _percent(share: float) -> str:
    return f"{100 * share:.4f} %"
