"""MAVLink over a pseudo terminal: for programs that want a serial port. The link at the given path leads to it.

Both ends stay open on our side, so a program that closes and opens the port again finds it as it was.
"""

from __future__ import annotations

import os
import tty
from contextlib import suppress
from pathlib import Path

from asflown.clock.base import Clock
from asflown.errors import LinkProblem
from asflown.link.stream import StreamEndpoint
from asflown.url import Url


class PtyEndpoint(StreamEndpoint):
    """The near end of a pseudo terminal whose far end others open by a path."""

    def __init__(self, url: Url, clock: Clock, name: str) -> None:
        """`url` is of kind pty. Nothing is made yet."""
        super().__init__(name, clock)
        self._path = Path(url.path)
        self._near = self._far = -1
        self._device = ""

    def open(self) -> None:
        """Makes the pseudo terminal and the link to it. Raises LinkProblem when the path is taken or refused."""
        check_path(self._path)
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self._device = os.ttyname(self._far)
        try:
            with suppress(FileNotFoundError):
                self._path.unlink()
            self._path.symlink_to(self._device)
        except OSError as error:
            self._close_ends()
            raise LinkProblem(
                f"no link to a pseudo terminal can be made at {self._path}: {error.strerror}",
                "Choose a path in a folder that exists and may be written",
            ) from error
        self._begin_stream(self._near, self.close)

    def close(self) -> None:
        """Takes the pseudo terminal away, and the link if it is still ours."""
        self._end_stream()
        with suppress(OSError):
            if self._device and str(self._path.readlink()) == self._device:
                self._path.unlink()
        self._close_ends()

    def _close_ends(self) -> None:
        for end in (self._near, self._far):
            if end >= 0:
                os.close(end)
        self._near = self._far = -1
        self._device = ""


def check_path(path: Path) -> None:
    """Raises LinkProblem when something is at `path`, other than a link to a terminal that is no more."""
    if path.is_symlink() and path.readlink().is_relative_to("/dev/pts") and not path.exists():
        return
    if path.is_symlink() or path.exists():
        raise LinkProblem(
            f"{path} exists already", "Remove it, or choose another path for the pseudo terminal"
        )
