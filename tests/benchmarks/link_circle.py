"""Two hubs joined in a circle, twice over, and five stations, over real sockets: whether everything adds up.

    python -m tests.benchmarks.link_circle [--frames 5000] [--page]

The circle of tests/unit/link/test_circles.py, for longer: so many frames of the vehicle and a tenth as many of each
station. Prints what each port heard, what of that was copies, and what it sent; what each station heard; and the sums.
With --page they go into harness/docs/link.md. Exit code 1 when a frame is missing or came twice.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter

from asflown.link.hub import Hub
from tests.benchmarks.page import put, table
from tests.unit.link.frames import Sender
from tests.unit.link.hand_clock import HandClock
from tests.unit.link.test_circles import Circle, assert_that_counters_add_up, drained

ENDS = ("frames_dropped", "frames_waiting", "bytes_rubbish")


def talk(circle: Circle, frames: int) -> tuple[list[list[bytes]], list[bytes]]:
    """Everybody says what they have to say; what was said by each, the vehicle first, and what reached the vehicle."""
    craft = Sender(1, 1)
    said = [[craft.attitude(n) for n in range(frames)]]
    said += [[one.sender.text(f"{n}") for n in range(frames // 10)] for one in circle.stations]
    up: list[bytes] = []
    for n, frame in enumerate(said[0]):
        circle.vehicle_says(frame)
        if n % 10 == 0:
            for number, station in enumerate(circle.stations, 1):
                station.say(said[number][n // 10])
        circle.clock.settle()
        if n % 20 == 19:
            circle.settle()
            up += drained(circle.vehicle)
    circle.settle()
    return said, up + drained(circle.vehicle)


def ports(name: str, hub: Hub, before: dict[str, int]) -> list[list[str]]:
    """A row for each port of a hub: what it counted since `before`."""
    counted = {key: count - before[key] for key, count in hub.counters().items()}
    names = [key.removesuffix(".frames_in") for key in counted if key.endswith(".frames_in")]
    return [
        [
            f"{name} hub, {port}",
            str(counted[f"{port}.frames_in"]),
            str(counted[f"{port}.frames_returned"]),
            str(counted[f"{port}.frames_out"]),
            str(sum(counted[f"{port}.{end}"] for end in ENDS)),
        ]
        for port in names
    ]


def heard(name: str, frames: list[bytes], own: list[bytes], said: list[list[bytes]]) -> list[str]:
    """A row for one of those who listen."""
    expected = Counter(frame for one in said for frame in one) - Counter(own)
    got = Counter(frame for frame in frames if frame in expected)
    again = sum(count - 1 for count in got.values())
    return [
        name,
        str(len(own)),
        str(expected.total()),
        str(len(got)),
        str(again),
        str(len(frames) - got.total()),
    ]


def main() -> int:
    """The tables; the exit code."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--frames", type=int, default=5_000)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    circle = Circle(HandClock())
    circle.meet()
    drained(circle.vehicle)
    for station in circle.stations:
        station.heard.clear()
    before = {name: hub.counters() for name, hub in (("near", circle.near), ("far", circle.far))}
    said, up = talk(circle, options.frames)
    rows = ports("near", circle.near, before["near"]) + ports("far", circle.far, before["far"])
    # To the vehicle goes what the stations said; to a station what the vehicle and the other stations said.
    listeners = [heard("vehicle", up, said[0], said)]
    listeners += [
        heard(f"station {number}", station.heard, said[number], said)
        for number, station in enumerate(circle.stations, 1)
    ]
    assert_that_counters_add_up(circle)
    circle.close()
    heads = ["port", "heard", "copies among them, dropped", "sent", "dropped, waiting or rubbish"]
    text = table(heads, rows) + "\n\n"
    text += table(["who", "said", "to hear", "heard", "heard again", "heard besides"], listeners)
    print(text)
    if options.page:
        put("link.md", "link_circle", text)
    return 0 if all(row[2] == row[3] and row[4] == row[5] == "0" for row in listeners) else 1


if __name__ == "__main__":
    sys.exit(main())
