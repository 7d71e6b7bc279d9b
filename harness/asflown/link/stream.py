"""One byte stream on a non-blocking descriptor: the common part of TCP, serial and pseudo terminal endpoints.

Nothing here waits. The clock says when the descriptor can be read; while frames wait to be written, a poll set of
the stream's own, which becomes readable when the descriptor can be written, says when to go on.
"""

from __future__ import annotations

import os
import select
from collections.abc import Callable

from asflown.clock.base import Clock
from asflown.link.counted import CountedEndpoint, CountedReader, Counters
from asflown.link.outbox import Outbox

READ_BYTES = 65_536


class WriteWatch:
    """Calls `writable` whenever a descriptor can be written, with a clock that watches for reading alone."""

    def __init__(self, clock: Clock, file_descriptor: int, writable: Callable[[], None]) -> None:
        """Watches from now on, until `close`."""
        self._clock = clock
        self._poll = select.epoll()
        self._poll.register(file_descriptor, select.EPOLLOUT)
        clock.watch(self._poll.fileno(), writable)

    def close(self) -> None:
        """Ends watching."""
        self._clock.unwatch(self._poll.fileno())
        self._poll.close()


class Stream:
    """Reads frames from, and writes frames to, a descriptor that stays its owner's to close.

    `on_lost` is called once, when the other side is gone; the stream is closed by then.
    """

    def __init__(
        self,
        clock: Clock,
        file_descriptor: int,
        counters: Counters,
        on_frame: Callable[[bytes], None],
        on_lost: Callable[[], None],
    ) -> None:
        """Watches `file_descriptor` from now on; what it hears and sends is added to `counters`."""
        self._clock, self._file_descriptor, self._counters = clock, file_descriptor, counters
        self._on_frame, self._on_lost = on_frame, on_lost
        self._reader = CountedReader(counters)
        self._outbox = Outbox()
        self._write_watch: WriteWatch | None = None
        self._closed = False
        clock.watch(file_descriptor, self._read)

    def send(self, frame: bytes) -> None:
        """Writes the frame, or what of it goes out now and the rest later. Never blocks, never raises."""
        if self._closed:
            self._counters.frames_dropped += 1
            return
        gave_way = self._outbox.put(frame)
        self._counters.frames_dropped += gave_way
        self._counters.frames_waiting += 1 - gave_way
        if self._write_watch is None:
            self._write()

    def close(self) -> None:
        """Ends watching; what waits is dropped. Harmless when called twice."""
        if self._closed:
            return
        self._closed = True
        self._clock.unwatch(self._file_descriptor)
        self._end_write_watch()
        self._counters.frames_dropped += len(self._outbox)
        self._counters.frames_waiting -= len(self._outbox)
        self._outbox = Outbox()
        self._reader.end()

    def _read(self) -> None:
        try:
            data = os.read(self._file_descriptor, READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._lose()
            return
        for frame in self._reader.feed(data):
            self._on_frame(frame)

    def _write(self) -> None:
        try:
            count = os.write(self._file_descriptor, self._outbox.waiting())
        except BlockingIOError:
            count = 0
        except OSError:
            self._lose()
            return
        self._counters.bytes_out += count
        left = self._outbox.written(count)
        self._counters.frames_out += left
        self._counters.frames_waiting -= left
        if not self._outbox:
            self._end_write_watch()
        elif self._write_watch is None:
            self._write_watch = WriteWatch(self._clock, self._file_descriptor, self._write)

    def _end_write_watch(self) -> None:
        if self._write_watch is not None:
            self._write_watch.close()
            self._write_watch = None

    def _lose(self) -> None:
        if not self._closed:
            self.close()
            self._on_lost()


class StreamEndpoint(CountedEndpoint):
    """Base of the endpoints that have a stream while somebody is there, one at a time."""

    def __init__(self, name: str, clock: Clock) -> None:
        super().__init__(name)
        self._clock = clock
        self._stream: Stream | None = None

    def send(self, frame: bytes) -> None:
        """Writes the frame, keeps it for later, or drops it when nobody is there."""
        if self._stream is None:
            self._counters.frames_dropped += 1
        else:
            self._stream.send(frame)

    def _begin_stream(self, file_descriptor: int, on_lost: Callable[[], None]) -> None:
        self._counters.connections += 1
        self._stream = Stream(self._clock, file_descriptor, self._counters, self.on_frame, on_lost)

    def _end_stream(self) -> None:
        if self._stream is not None:
            self._stream.close()
            self._stream = None
