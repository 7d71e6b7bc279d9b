"""Evidence for half-written files: each file of a flight's folder cut at very many lengths, each looked at.

    python -m tests.benchmarks.cut_folders --into DIR [--minutes 9] [--page]

Small files (up to 16 KiB) are cut to every length there is; of larger ones every length in the first and the last
4 KiB, and each boundary of a record with the byte before and the byte after. The library reads each, and `asflown
grade` and `asflown report` are run on it: it opens, or one sentence names the file that is not whole. Once for a flight
that was closed and once for one that was interrupted. DIR keeps the flight and how far the run came, so that the
command goes on where it was. Exit code 1 when anything else came of a length; --page writes into
harness/docs/faults.md.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path

from asflown.record import manifest as manifests
from tests.benchmarks.page import put, table
from tests.flights.cutting import Cutter, boundaries
from tests.flights.flying import HELLO, fly, write_scenario
from tests.flights.test_cut_folders import UP_AND_DOWN

SMALL_BYTES, DENSE_BYTES = 16_384, 4_096
AT_ONCE = 200
"""Lengths between two notes of how far it came."""


def lengths(folder: Path, name: str) -> list[int]:
    """The lengths that a file is cut to."""
    size = (folder / name).stat().st_size
    if size <= SMALL_BYTES:
        return list(range(size + 1))
    about = {edge + more for edge in boundaries(folder, name) for more in (-1, 0, 1)}
    dense = {*range(DENSE_BYTES + 1), *range(size - DENSE_BYTES, size + 1)}
    return sorted(length for length in about | dense if 0 <= length <= size)


def flights(into: Path) -> dict[str, Path]:
    """The folder of a closed flight and of an interrupted one; flown the first time."""
    closed, interrupted = into / "closed", into / "interrupted"
    if not interrupted.exists():
        flown = fly(into, write_scenario(into, HELLO + UP_AND_DOWN))
        assert flown.exit_code == 0, flown.says()
        shutil.copytree(flown.folders[0], closed)
        shutil.copytree(closed, interrupted)
        cut = manifests.read(closed).model_copy(update={"outcome": "interrupted", "captures": {}})
        manifests.write(cut, interrupted)
        (interrupted / "grade.json").unlink()
    return {"closed": closed, "interrupted": interrupted}


@dataclass
class Progress:
    """How far the lengths of one file are looked at."""

    flight: str
    file: str
    size: int
    todo: int
    done: int = 0
    wrong: list[tuple[int, str]] = field(default_factory=list)
    cpu_s: float = 0.0


def look(into: Path, until_s: float) -> list[Progress]:
    """Goes on until `until_s` of the monotonic clock; how far each file of each flight is."""
    state_file = into / "state.json"
    known = [Progress(**one) for one in json.loads(state_file.read_text())] if state_file.exists() else []
    state = {(one.flight, one.file): one for one in known}
    for flight, source in flights(into).items():
        shutil.rmtree(into / "copy", ignore_errors=True)
        cutter = Cutter(source, into / "copy")
        for name, size in cutter.sizes().items():
            todo = lengths(source, name)
            one = state.setdefault((flight, name), Progress(flight, name, size, len(todo)))
            while one.done < one.todo and time.monotonic() < until_s:
                part, began_s = todo[one.done : one.done + AT_ONCE], time.process_time()
                for seen in cutter.looks(name, part):
                    if wrong := seen.wrong(closed=flight == "closed"):
                        one.wrong.append((seen.length, wrong))
                one.done += len(part)
                one.cpu_s += time.process_time() - began_s
                state_file.write_text(json.dumps([asdict(each) for each in state.values()]))
    return list(state.values())


def told(state: list[Progress]) -> str:
    """The table, in Markdown."""
    rows = [
        [
            f"{one.flight}: `{one.file}`",
            f"{one.size}",
            f"{one.done} of {one.todo}",
            f"{len(one.wrong)}",
            f"{one.cpu_s:.0f} s",
        ]
        for one in state
    ]
    return table(["flight and file", "bytes", "lengths looked at", "wrong", "CPU time"], rows)


def main() -> int:
    """Looks, and prints what is known."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--into", type=Path, required=True, help="a folder for the flight and the state")
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    options.into.mkdir(parents=True, exist_ok=True)
    state = look(options.into.resolve(), time.monotonic() + 60 * options.minutes)
    print(told(state))
    for one in state:
        for length, what in one.wrong[:5]:
            print(f"{one.flight} {one.file} at {length}: {what}")
    if options.page:
        put("faults.md", "cut_folders.py", told(state))
    return int(any(one.wrong for one in state))


if __name__ == "__main__":
    sys.exit(main())
