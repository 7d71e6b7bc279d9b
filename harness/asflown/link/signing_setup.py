"""Signing for a hub from a key file: key, stamps that outlive us, and a disk that may fill up meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from asflown.clock.base import Clock
from asflown.errors import UsageError
from asflown.link.key_file import StampFile, read_key
from asflown.link.signing import Signing

Tell = Callable[[str, dict[str, Any]], None]


def signing_from(key_file: Path | None, clock: Clock, tell: Tell) -> Signing | None:
    """Signing with the key in a file; None without one.

    `tell` is told `stamp-not-kept` when the newest stamp cannot be stored later on: a disk that fills up must not take
    the link away. Raises UsageError when the key file is not as it should be, or nothing can be stored beside it.
    """
    if key_file is None:
        return None
    stamps = StampFile(key_file)
    key, stored = read_key(key_file), stamps.read()
    stamps.write(stored)  # a folder that cannot be written is found out now, and not in the air
    return Signing(
        key, lambda: clock.epoch_us + clock.now_us(), stored=stored, store=partial(_store, stamps, tell)
    )


def _store(stamps: StampFile, tell: Tell, stamp: int) -> None:
    try:
        stamps.write(stamp)
    except UsageError as error:
        tell("stamp-not-kept", {"why": str(error)})
