"""The key for signing, from a file that nobody else can read, and the time stamp that must outlive us beside it.

The file holds the 32 bytes of the key as 64 hexadecimal digits. It must be a plain file with mode 0600 or 0400; every
other is refused before a byte of it is used. The key is never printed, logged, recorded or put into an error's text.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from pathlib import Path
from typing import NoReturn

from asflown.errors import UsageError

KEY_BYTES = 32
STAMP_SUFFIX = ".stamp"
_DIGITS = re.compile(rb"[0-9A-Fa-f]{64}\s*")
_MAKE_ONE = "Make one with: (umask 077; openssl rand -hex 32 > FILE)"


class SigningKey:
    """A secret of 32 bytes that shows itself to nobody by accident."""

    __slots__ = ("_secret",)

    def __init__(self, secret: bytes) -> None:
        """Raises UsageError when there are not 32 bytes; the text does not contain them."""
        if len(secret) != KEY_BYTES:
            raise UsageError(f"a signing key has {KEY_BYTES} bytes, not {len(secret)}", _MAKE_ONE)
        self._secret = bytes(secret)

    def reveal(self) -> bytes:
        """The bytes, for the hash and nothing else."""
        return self._secret

    def __repr__(self) -> str:
        return "SigningKey(hidden)"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a signing key is not to be written anywhere")


def read_key(path: Path) -> SigningKey:
    """The key in the file at `path`. Raises UsageError when others could read the file, or it holds no key."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise UsageError(f"key file {path} cannot be read: {error.strerror}", _MAKE_ONE) from error
    try:
        _check_alone(path, os.fstat(descriptor))
        text = os.read(descriptor, KEY_BYTES * 2 + 16)
    finally:
        os.close(descriptor)
    if _DIGITS.fullmatch(text) is None:
        raise UsageError(f"key file {path} does not hold 64 hexadecimal digits and nothing else", _MAKE_ONE)
    return SigningKey(bytes.fromhex(text.decode("ascii")))


def _check_alone(path: Path, status: os.stat_result) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise UsageError(f"key file {path} is not a plain file", _MAKE_ONE)
    if status.st_uid != os.geteuid():
        raise UsageError(f"key file {path} belongs to another user", "Use a file of your own")
    mode = stat.S_IMODE(status.st_mode)
    if mode & 0o177:
        raise UsageError(
            f"key file {path} has mode {mode:04o}, so that others may use it",
            f"Say `chmod 600 {path}`, and change the key if others had the chance to read it",
        )


class StampFile:
    """The newest time stamp that was used with a key, kept beside the key's file across restarts."""

    def __init__(self, key_file: Path) -> None:
        self._path = key_file.with_name(key_file.name + STAMP_SUFFIX)

    def read(self) -> int:
        """The stamp, in units of 10 microseconds since 2015; 0 when none was kept."""
        try:
            text = self._path.read_text(encoding="ascii")
        except (OSError, UnicodeDecodeError):
            return 0
        return int(text) if text.strip().isdecimal() else 0

    def write(self, stamp: int) -> None:
        """Replaces the stamp. Raises UsageError when the folder of the key cannot be written."""
        temporary = self._path.with_name(self._path.name + ".part")
        try:
            with contextlib.suppress(FileNotFoundError):
                temporary.unlink()
            descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                file.write(f"{stamp}\n")
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(self._path)
        except OSError as error:
            raise UsageError(
                f"{self._path} cannot be written ({error.strerror}), and the stamps of signatures must be kept",
                "Put the key file into a folder of your own",
            ) from error
