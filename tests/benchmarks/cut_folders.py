"""Evidence for half-written files: each file of a flight's folder cut to each length, and looked at on two levels.

    python -m tests.benchmarks.cut_folders --into DIR [--minutes 9] [--commands N] [--page]

*Readers*: every length of every file goes through the reader of that file in the library: it gives the records that
were whole before the cut and no other, or names the file; and the sentence on what is missing is there and right.
*Commands*: `asflown grade` and `asflown report` run on the folder: they open it, or one sentence names the file that is
not whole. Once for a flight that was closed and once for one that was interrupted; small files (up to 1 KiB) at every
length, larger ones at each boundary of a record or line, with the byte before and the byte after, and at their last
bytes; of the truth, whose rows are all alike, every tenth row's. `--commands N` takes N of these lengths of each file,
evenly; all take half an hour of a processor.

DIR keeps the flight and how far the run came, so that the command goes on where it was. Exit code 1 when anything else
came of a length; --page writes into harness/docs/faults.md.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

from asflown.record import manifest as manifests
from asflown.record import truth
from tests.benchmarks.page import put, table
from tests.flights.cut_readers import CutReaders
from tests.flights.cutting import Cutter, boundaries, one_parser
from tests.flights.flying import HELLO, fly, write_scenario
from tests.flights.test_cut_folders import UP_AND_DOWN

SMALL_BYTES, LAST_BYTES, NTH_ROW = 1_024, 256, 10
AT_ONCE = 50
"""Lengths between two notes of how far it came."""
Looks = Callable[[str, Iterable[int]], Iterator[tuple[int, str]]]
"""Looks at a file cut to some lengths: each length, and what is wrong."""


def every_length(folder: Path, name: str) -> list[int]:
    """All lengths of a file, falling: so each cut is made in the file that was cut before."""
    return list(range((folder / name).stat().st_size, -1, -1))


def telling_lengths(folder: Path, name: str) -> list[int]:
    """The lengths at which a command is run."""
    size = (folder / name).stat().st_size
    if size <= SMALL_BYTES:
        return list(range(size + 1))
    edges = boundaries(folder, name)[:: NTH_ROW if name == truth.FILE_NAME else 1]
    about = {edge + more for edge in edges for more in (-1, 0, 1)}
    return sorted(length for length in about | {*range(size - LAST_BYTES, size)} if 0 <= length <= size)


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
    """How far the lengths of one file are looked at, on one level."""

    level: str
    file: str
    size: int
    todo: int
    done: int = 0
    wrong: list[tuple[int, str]] = field(default_factory=list)
    cpu_s: float = 0.0


def spread(lengths: list[int], most: int) -> list[int]:
    """At most so many of the lengths, evenly, the first and the last among them."""
    if len(lengths) <= most:
        return lengths
    return [lengths[round(at * (len(lengths) - 1) / (most - 1))] for at in range(most)]


def levels(into: Path) -> Iterator[tuple[str, Path, Looks, Callable[[Path, str], list[int]]]]:
    """Each level: its name, the whole folder, how its files are looked at, and at which lengths."""
    folders = flights(into)
    shutil.rmtree(into / "copy", ignore_errors=True)
    yield "readers", folders["closed"], CutReaders(folders["closed"], into / "copy").looks, every_length
    for flight, source in folders.items():
        shutil.rmtree(into / "copy")
        cutter = Cutter(source, into / "copy")

        def looks(
            name: str, lengths: Iterable[int], cutter: Cutter = cutter, *, closed: bool = flight == "closed"
        ) -> Iterator[tuple[int, str]]:
            for seen in cutter.looks(name, lengths):
                yield seen.length, seen.wrong(closed=closed)

        yield f"commands, {flight}", source, looks, telling_lengths


def look(into: Path, until_s: float, most: int) -> list[Progress]:
    """Goes on until `until_s` of the monotonic clock; how far each file is on each level.

    `most` is how many lengths of a file commands are run at.
    """
    state_file = into / "state.json"
    known = [Progress(**one) for one in json.loads(state_file.read_text())] if state_file.exists() else []
    state = {(one.level, one.file): one for one in known}
    for level, source, looks, lengths in levels(into):
        for file in sorted(source.iterdir()):
            todo = lengths(source, file.name)
            todo = todo if level == "readers" else spread(todo, most)
            new = Progress(level, file.name, file.stat().st_size, len(todo))
            one = state.setdefault((level, file.name), new)
            while one.done < one.todo and time.monotonic() < until_s:
                part, began_s = todo[one.done : one.done + AT_ONCE], time.process_time()
                one.wrong += [(length, wrong) for length, wrong in looks(file.name, part) if wrong]
                one.done += len(part)
                one.cpu_s += time.process_time() - began_s
                state_file.write_text(json.dumps([asdict(each) for each in state.values()]))
    return list(state.values())


def told(state: list[Progress]) -> str:
    """The table, in Markdown."""
    rows = [
        [
            f"{one.level}: `{one.file}`",
            f"{one.size}",
            f"{one.done} of {one.todo}",
            f"{len(one.wrong)}",
            f"{1000 * one.cpu_s / max(1, one.done):.2g} ms",
        ]
        for one in state
    ]
    return table(["level and file", "bytes", "lengths looked at", "wrong", "CPU time of each"], rows)


def main() -> int:
    """Looks, and prints what is known."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--into", type=Path, required=True, help="a folder for the flight and the state")
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--commands", type=int, default=1_000_000, help="lengths of each file at most")
    parser.add_argument("--page", action="store_true")
    options = parser.parse_args()
    options.into.mkdir(parents=True, exist_ok=True)
    with one_parser():
        state = look(options.into.resolve(), time.monotonic() + 60 * options.minutes, options.commands)
    print(told(state))
    for one in state:
        for length, what in one.wrong[:5]:
            print(f"{one.level}: {one.file} at {length}: {what}")
    if options.page:
        put("faults.md", "cut_folders.py", told(state))
    return int(any(one.wrong for one in state))


if __name__ == "__main__":
    sys.exit(main())
