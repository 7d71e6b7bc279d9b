"""A joystick of this machine as a pilot at the hub, by the kernel's input events (Linux, package evdev).

It says MANUAL_CONTROL 25 times a second (common practice, no source) once a vehicle has been heard. When the device is
gone it says nothing: a vehicle must see that its sticks grow old, and act on that itself. It is opened again when it
comes back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Protocol

from pymavlink.dialects.v20 import common

from asflown.clock.base import Clock, Timer
from asflown.errors import LinkProblem, UsageError
from asflown.link import wire
from asflown.link.backoff import Backoff
from asflown.link.counted import CountedEndpoint
from asflown.link.sticks_mapping import ABS_RX, ABS_RY, ABS_X, ABS_Y, Range, StickState

INTERVAL_US = 40_000
SYSTEM, COMPONENT = 253, common.MAV_COMP_ID_USER1
_KEY_EVENT, _AXIS_EVENT = 1, 3
_AUTOPILOT_INVALID = 8
_AUTOPILOT_AT = 5


class InputEvent(Protocol):
    """As the kernel has it: a type, a code of that type, a value."""

    type: int
    code: int
    value: int


class StickDevice(Protocol):
    """An open input device."""

    fd: int

    def axes(self) -> dict[int, tuple[int, int, int]]:
        """Value, lowest and highest of each absolute axis by its code."""

    def read(self) -> Iterable[InputEvent]:
        """Events since the last call. Raises BlockingIOError when there are none, OSError when it is gone."""

    def close(self) -> None:
        """Lets it go."""


class Joystick(CountedEndpoint):
    """Fulfils `Endpoint`: the hub hears its sticks; what it is sent tells which system the vehicle is."""

    def __init__(
        self,
        device: Path,
        clock: Clock,
        *,
        name: str = "joystick",
        thrust_from_zero: bool = True,
        open_device: Callable[[Path], StickDevice] | None = None,
    ) -> None:
        """`device` is a path like /dev/input/event5. Nothing is opened yet."""
        super().__init__(name)
        self._path, self._clock, self._thrust_from_zero = device, clock, thrust_from_zero
        self._open_device = open_device or open_evdev
        self._device: StickDevice | None = None
        self._state: StickState | None = None
        self._target = 0
        self._mavlink = common.MAVLink(None, SYSTEM, COMPONENT)
        self._backoff = Backoff()
        self._next_say: Timer | None = None
        self._again: Timer | None = None

    def open(self) -> None:
        """Opens the device. Raises LinkProblem when it is not there or no joystick, UsageError without evdev."""
        self._start(self._open_device(self._path))
        self._plan()

    def send(self, frame: bytes) -> None:
        """Takes note of the vehicle's system; the rest does not concern a joystick."""
        counters = self._counters
        counters.frames_out += 1
        counters.bytes_out += len(frame)
        if not self._target and _is_of_an_autopilot(frame):
            self._target = wire.system_id(frame)

    def close(self) -> None:
        """Lets the device go."""
        for timer in (self._next_say, self._again):
            if timer is not None:
                timer.cancel()
        self._let_go()

    def _start(self, device: StickDevice) -> None:
        axes = device.axes()
        if not {ABS_X, ABS_Y, ABS_RX, ABS_RY} <= axes.keys():
            device.close()
            raise LinkProblem(
                f"{self._path} has no two sticks",
                "Name the event device of a gamepad or joystick with axes X, Y, RX and RY",
            )
        ranges = {code: Range(low, high) for code, (_, low, high) in axes.items()}
        values = {code: value for code, (value, _, _) in axes.items()}
        self._device = device
        self._state = StickState(ranges, values, thrust_from_zero=self._thrust_from_zero)
        self._backoff.succeeded()
        self._counters.connections += 1
        self._clock.watch(device.fd, self._read)

    def _read(self) -> None:
        assert self._device is not None
        assert self._state is not None
        try:
            for event in self._device.read():
                if event.type == _AXIS_EVENT:
                    self._state.move(event.code, event.value)
                elif event.type == _KEY_EVENT:
                    self._state.press(event.code, down=bool(event.value))
        except BlockingIOError:
            return
        except OSError:
            self._let_go()
            self._try_again()

    def _reopen(self) -> None:
        try:
            self._start(self._open_device(self._path))
        except (LinkProblem, UsageError):
            self._try_again()

    def _try_again(self) -> None:
        self._again = self._clock.call_at(self._clock.now_us() + self._backoff.next_us(), self._reopen)

    def _plan(self) -> None:
        self._next_say = self._clock.call_at(self._clock.now_us() + INTERVAL_US, self._say)

    def _say(self) -> None:
        self._plan()
        if self._state is None or not self._target:
            return
        now = self._state.sticks()
        message = common.MAVLink_manual_control_message(self._target, now.x, now.y, now.z, now.r, now.buttons)
        frame = bytes(message.pack(self._mavlink))
        self._mavlink.seq = (self._mavlink.seq + 1) % 256
        self._counters.frames_in += 1
        self._counters.bytes_in += len(frame)
        self.on_frame(frame)

    def _let_go(self) -> None:
        self._state = None
        if self._device is not None:
            self._clock.unwatch(self._device.fd)
            self._device.close()
            self._device = None


def _is_of_an_autopilot(frame: bytes) -> bool:
    if wire.message_id(frame) != common.MAVLINK_MSG_ID_HEARTBEAT:
        return False
    return wire.payload(frame).ljust(9, b"\0")[_AUTOPILOT_AT] != _AUTOPILOT_INVALID


class EvdevDevice:
    """A device of the package evdev, as `StickDevice` has it."""

    def __init__(self, device: Any) -> None:
        self._device = device
        self.fd: int = device.fd

    def axes(self) -> dict[int, tuple[int, int, int]]:
        """Value, lowest and highest of each absolute axis by its code."""
        found = self._device.capabilities(absinfo=True).get(_AXIS_EVENT, [])
        return {code: (info.value, info.min, info.max) for code, info in found}

    def read(self) -> Iterable[InputEvent]:
        """Events since the last call."""
        events: Iterable[InputEvent] = self._device.read()
        return events

    def close(self) -> None:
        """Lets it go."""
        self._device.close()


def open_evdev(path: Path) -> StickDevice:
    """The device at `path` by the package evdev. Raises UsageError without the package, LinkProblem otherwise."""
    try:
        import evdev  # noqa: PLC0415 - an extra that most do without
    except ImportError as error:
        raise UsageError(
            "a joystick needs the package evdev, which is not installed",
            "Say: pip install 'asflown[joystick]'",
        ) from error

    try:
        return EvdevDevice(evdev.InputDevice(str(path)))
    except OSError as error:
        raise LinkProblem(
            f"joystick {path} cannot be opened: {error.strerror}",
            f"Joysticks found: {', '.join(evdev.list_devices()) or 'none'}",
        ) from error
