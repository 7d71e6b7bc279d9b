"""Finds out at which baud rate a serial device speaks MAVLink: by listening at one rate after the other."""

from __future__ import annotations

from dataclasses import replace

import serial

from asflown.clock.wall import Stopwatch
from asflown.errors import LinkProblem
from asflown.link.serial_port import open_port
from asflown.link.wire import CRC_EXTRA, FrameReader, message_id
from asflown.url import Url

RATES = (57_600, 115_200, 921_600, 460_800, 230_400, 38_400, 500_000, 1_000_000, 1_500_000, 19_200, 9_600)
"""The usual ones first. Common practice, no source."""
LISTEN_S = 1.3
"""At each rate: a heartbeat comes once a second."""
READ_WAIT_S = 0.05


def with_baud(url: Url) -> Url:
    """`url` with its rate; listens for it where `url` says `auto`. Raises LinkProblem when no rate makes sense."""
    if url.kind != "serial" or url.baud:
        return url
    heard = 0
    for rate in RATES:
        tried = replace(url, baud=rate)
        spoke, count = _listen(tried)
        heard += count
        if spoke:
            return tried
    rates = ", ".join(str(rate) for rate in RATES)
    if not heard:
        raise LinkProblem(
            f"nothing was heard at {url.path} at any of {rates} baud",
            "Check that the vehicle is powered and the radios are paired",
        )
    raise LinkProblem(
        f"what was heard at {url.path} is MAVLink at none of {rates} baud",
        "Write the rate in place of `auto`, and check that the device speaks MAVLink",
    )


def _listen(url: Url) -> tuple[bool, int]:
    """Whether a frame was heard, which ends it, and how many bytes."""
    reader, watch, heard = FrameReader(), Stopwatch(), 0
    port = open_port(url)
    try:
        port.timeout = READ_WAIT_S
        port.reset_input_buffer()
        while watch.seconds() < LISTEN_S:
            data = port.read(4096)
            heard += len(data)
            if any(
                message_id(frame) in CRC_EXTRA for frame in reader.feed(data)
            ):  # one whose checksum was checked
                return True, heard
    except (OSError, serial.SerialException) as error:
        raise LinkProblem(f"{url.path} was lost while listening", "Plug it in again") from error
    finally:
        port.close()
    return False, heard
