"""Clocks of the `time` and `datetime` modules, on virtual time."""

from __future__ import annotations

import time
from types import ModuleType
from typing import Any, Callable

from .held import Held, as_builtin

MONOTONIC_ZERO_US = 1_000_000_000
"""What the monotonic clock shows at flight time zero: a machine that has been up for a while."""


def hold(held: Held) -> None:
    """Replaces the functions of `time`."""
    read = held.read_clock_us
    epoch_us = held.epoch_us

    def wall_us() -> int:
        return epoch_us + read()

    def up_us() -> int:
        return MONOTONIC_ZERO_US + read()

    real_clock_gettime_ids = {getattr(time, "CLOCK_REALTIME", 0), getattr(time, "CLOCK_TAI", 11)}

    def clock_gettime_ns(clock_id: int) -> int:
        return (wall_us() if clock_id in real_clock_gettime_ids else up_us()) * 1000

    replaced: dict[str, Callable[..., Any]] = {
        "time": lambda: wall_us() / 1e6,
        "time_ns": lambda: wall_us() * 1000,
        "clock_gettime_ns": clock_gettime_ns,
        "clock_gettime": lambda clock_id: clock_gettime_ns(clock_id) / 1e9,
        "sleep": _sleep(held),
    }
    for name in ("monotonic", "perf_counter", "process_time", "thread_time"):
        replaced[name] = lambda: up_us() / 1e6
        replaced[name + "_ns"] = lambda: up_us() * 1000
    replaced.update(_calendar(replaced["time"]))
    for name, function in replaced.items():
        held.replacements.put(time, name, as_builtin(function, name))


def _sleep(held: Held) -> Callable[[float], None]:
    def sleep(seconds: float) -> None:
        if seconds < 0:
            raise ValueError("sleep length must be non-negative")
        held.sleep_until(held.now_us + max(1, -(-int(seconds * 1e9) // 1000)))

    return sleep


def _calendar(wall_s: Callable[[], float]) -> dict[str, Callable[..., Any]]:
    """The functions that take the present when no time is given."""
    real_gmtime, real_localtime = time.gmtime, time.localtime
    real_strftime, real_ctime, real_asctime = time.strftime, time.ctime, time.asctime

    def gmtime(seconds: Any = None) -> time.struct_time:
        return real_gmtime(wall_s() if seconds is None else seconds)

    def localtime(seconds: Any = None) -> time.struct_time:
        return real_localtime(wall_s() if seconds is None else seconds)

    def strftime(form: str, moment: Any = None) -> str:
        return real_strftime(form, localtime() if moment is None else moment)

    def ctime(seconds: Any = None) -> str:
        return real_ctime(wall_s() if seconds is None else seconds)

    def asctime(moment: Any = None) -> str:
        return real_asctime(localtime() if moment is None else moment)

    return {
        "gmtime": gmtime,
        "localtime": localtime,
        "strftime": strftime,
        "ctime": ctime,
        "asctime": asctime,
    }


def _hold_datetime(held: Held, module: ModuleType) -> None:
    """Replaces `datetime` and `date` by subclasses that ask the virtual clock; real instances still pass as theirs."""
    real_datetime: Any = module.datetime
    real_date: Any = module.date

    def meta(real: Any) -> Any:
        class Alike(type):
            def __instancecheck__(cls, instance: object) -> bool:
                return isinstance(instance, real)

            def __subclasscheck__(cls, subclass: type) -> bool:
                return issubclass(subclass, real)

        return Alike

    class HeldDatetime(real_datetime, metaclass=meta(real_datetime)):  # type: ignore[misc, metaclass]
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return cls.fromtimestamp((held.epoch_us + held.read_clock_us()) / 1e6, tz)

        @classmethod
        def utcnow(cls) -> Any:
            moment = cls.fromtimestamp((held.epoch_us + held.read_clock_us()) / 1e6, module.timezone.utc)
            return moment.replace(tzinfo=None)

        @classmethod
        def today(cls) -> Any:
            return cls.now()

    class HeldDate(real_date, metaclass=meta(real_date)):  # type: ignore[misc, metaclass]
        @classmethod
        def today(cls) -> Any:
            return cls.fromtimestamp((held.epoch_us + held.read_clock_us()) / 1e6)

    for held_class, real in ((HeldDatetime, real_datetime), (HeldDate, real_date)):
        held_class.__name__ = held_class.__qualname__ = real.__name__
        held_class.__module__ = "datetime"
        held.replacements.put(module, real.__name__, held_class)


LATE: dict[str, Callable[[Held, ModuleType], None]] = {"datetime": _hold_datetime}
