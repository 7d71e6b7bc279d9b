"""MAVLink message signing: whose frame is genuine, and signing frames of our own.

Source: the MAVLink developer guide, chapter Message Signing. A signature is a link id, a 48-bit time stamp in units
of 10 microseconds since 2015, and the first six bytes of SHA-256(key, whole frame with its checksum, link id, stamp).

Invariants: a stamp is accepted once in its stream (system, component, link id), and only if it is newer than the last;
nothing is learnt from a frame whose signature is wrong; stamps of our own rise with every frame, over restarts too.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from asflown.link import wire
from asflown.link.key_file import SigningKey

EPOCH_S = 1_420_070_400
"""2015-01-01T00:00:00Z, Unix time."""
UNITS_PER_S = 100_000
LAGS_AT_MOST = 60 * UNITS_PER_S
"""How far a new stream may be behind: one minute."""
LONGEST_STAMP = 2**48 - 1
STORE_INTERVAL = 10 * UNITS_PER_S
"""How often the newest stamp is stored; the guide asks for once a minute at least."""
_LINK_AND_STAMP_BYTES, _HASH_BYTES = 7, 6
SETUP_SIGNING, RADIO_STATUS = 256, 109


class Standing(Enum):
    """What is to be thought of a frame."""

    GENUINE = "genuine"
    UNSIGNED = "unsigned"
    WRONG = "wrong"
    """Signed with another key, or changed on the way."""
    REPLAYED = "replayed"
    """Genuine once, but its stamp is not newer than the last of its stream."""
    OLD = "old"
    """The first of a stream, and more than a minute behind."""


@dataclass(slots=True)
class SigningCounts:
    """How many frames of one party stood how."""

    genuine: int = 0
    unsigned: int = 0
    wrong: int = 0
    replayed: int = 0
    old: int = 0

    def note(self, standing: Standing) -> None:
        """Counts one."""
        setattr(self, standing.value, getattr(self, standing.value) + 1)


def stamp_of_unix(unix_us: int) -> int:
    """The stamp for a Unix time in microseconds, at least 0."""
    return max(0, (unix_us - EPOCH_S * 1_000_000) // 10)


class Signing:
    """One key at one hub: checks what others signed, and signs what is ours."""

    def __init__(
        self,
        key: SigningKey,
        now_unix_us: Callable[[], int],
        *,
        link_id: int = 0,
        stored: int = 0,
        store: Callable[[int], None] = lambda stamp: None,
    ) -> None:
        """`stored` is the newest stamp of earlier runs; `store` keeps a stamp for later ones, and may raise.

        It is called at once, and then at most every ten seconds, with a stamp ahead of all that are in use.
        """
        self._key, self._now_unix_us, self._link_id, self._store = key, now_unix_us, link_id, store
        self._stamp = max(stored, stamp_of_unix(now_unix_us()))
        self._streams: dict[tuple[int, int, int], int] = {}
        self._stored = 0
        self._keep()

    def check(self, frame: bytes) -> Standing:
        """What is to be thought of a whole frame whose checksum was right; a genuine one is genuine only once."""
        if frame[0] != wire.START_2 or not frame[2] & wire.SIGNED:
            return Standing.UNSIGNED
        signed, signature = frame[: -wire.SIGNATURE_BYTES], frame[-wire.SIGNATURE_BYTES :]
        head = signature[:_LINK_AND_STAMP_BYTES]
        if not hmac.compare_digest(self._hash(signed, head), signature[_LINK_AND_STAMP_BYTES:]):
            return Standing.WRONG
        stamp = int.from_bytes(head[1:], "little")
        stream = frame[5], frame[6], head[0]
        last = self._streams.get(stream)
        if last is None and stamp + LAGS_AT_MOST < self._now():
            return Standing.OLD
        if last is not None and stamp <= last:
            return Standing.REPLAYED
        self._streams[stream] = stamp
        if stamp > self._stamp:
            self._stamp = stamp
            self._keep()
        return Standing.GENUINE

    def sign(self, frame: bytes) -> bytes:
        """An unsigned version 2 frame of ours, signed: flag set, checksum made anew, signature behind it."""
        assert frame[0] == wire.START_2
        assert not frame[2] & wire.SIGNED
        signed = wire.with_signed_flag(frame, signed=True)
        self._stamp = min(self._now() + 1, LONGEST_STAMP)
        self._keep()
        head = bytes((self._link_id,)) + self._stamp.to_bytes(6, "little")
        return signed + head + self._hash(signed, head)

    def _now(self) -> int:
        """The newest of the clock's time and of all genuine stamps."""
        return max(self._stamp, stamp_of_unix(self._now_unix_us()))

    def _hash(self, signed: bytes, head: bytes) -> bytes:
        return hashlib.sha256(self._key.reveal() + signed + head).digest()[:_HASH_BYTES]

    def _keep(self) -> None:
        """Stores a stamp that lies ahead, so that a restart after a crash does not go back behind one that was used."""
        if self._stamp >= self._stored:
            self._stored = self._stamp + STORE_INTERVAL
            self._store(self._stored)


def without_secrets(frame: bytes) -> bytes | None:
    """The frame as it may be recorded: its signature taken off; None for SETUP_SIGNING, which holds a key.

    Source: the MAVLink developer guide, Message Signing, Logging.
    """
    if frame[0] != wire.START_2:
        return frame
    if frame[7] == SETUP_SIGNING & 0xFF and frame[8] == SETUP_SIGNING >> 8 and not frame[9]:
        return None
    if not frame[2] & wire.SIGNED:
        return frame
    return wire.with_signed_flag(frame[: -wire.SIGNATURE_BYTES], signed=False)
