"""What a keeper is told when it is started, and what it and its clients say to each other.

Everything is JSON, one object a line, over a UNIX socket with mode 0600; the order comes on standard input.

    client -> keeper   {"do": "attach", "url": URL, "name": NAME, "role": ROLE, "access": ACCESS}
                       {"do": "cut-off", "role": ROLE}      {"do": "event", "kind": KIND, "facts": {...}}
                       {"do": "bring-down", "cause": TEXT}  {"do": "counters"}   {"do": "done"}
                       {"do": "script", "is": "started" | "ended"}  {"do": "script", "is": "left", "says": TEXT}
    keeper -> client   {"re": NUMBER, "ok": true, ...} or {"re": NUMBER, "ok": false, "problem": ...}, from 0
                       {"is": "standing", "armed": ..., "down": ..., "heartbeat_age_us": ...,
                        "taken": whether a pilot has taken over}, five times a second
                       {"is": "safety", "what": ..., "cause": ...}, {"is": "capture-failed", "problem": ...}
                       {"is": "closed", "down": ..., "counters": {...}, "problem": ...}, the last
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from asflown import files

LONGEST_LINE_BYTES = 1 << 16
FIRST_CLIENT_WAIT_S = 15.0
"""A keeper whose starter never comes does not wait longer."""
CLOSE_S = 5.0
"""What closing the captures may take beside bringing the vehicle down."""


class KeeperOrder(BaseModel):
    """What is kept, and what to do when nobody is left. Times in seconds."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    vehicle: str
    """The link to the vehicle."""
    captures: Path
    """A new folder; with `in_flight_folder` the flight's own, which is there already."""
    in_flight_folder: bool = False
    epoch_us: int | None = None
    """Where the flight's time 0 lies, Unix microseconds; None when it begins with the keeper."""
    control: Path
    """Where the UNIX socket is made."""
    lock: Path | None = None
    """Of a bench rig, held while the keeper lives."""
    radio: str | None = None
    key: Path | None = None
    vehicle_must_sign: bool = False
    guard: str = "asflown.flight.kept_guard:make"
    """What makes the guard, as `module:function`; called as `keeper.MakeGuard` says."""
    guard_terms: dict[str, Any] = {}
    """What the guard is told, in its own words."""
    come_home_s: float = 60.0
    set_down_s: float = 60.0

    @property
    def longest_end_s(self) -> float:
        """How long after losing its clients a keeper is gone at the latest, vehicle down or not."""
        return self.come_home_s + self.set_down_s + CLOSE_S


Request = Literal["attach", "cut-off", "event", "bring-down", "counters", "done", "script"]


def line_of(said: dict[str, Any]) -> bytes:
    """One object as a line."""
    return json.dumps(said, separators=(",", ":"), ensure_ascii=True).encode("ascii") + b"\n"


class Lines:
    """Cuts a stream into objects; what is no object, or too long, is None."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[dict[str, Any] | None]:
        """The objects that `data` completes."""
        *whole, self._rest = (self._rest + data).split(b"\n")
        said = [_object(line) for line in whole]
        if len(self._rest) > LONGEST_LINE_BYTES:
            self._rest = b""
            said.append(None)
        return said


def _object(line: bytes) -> dict[str, Any] | None:
    try:
        found = files.from_json(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None
