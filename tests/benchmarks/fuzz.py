"""Hostile input for as long as one likes: documents through each reader, frames through the wire parser and the index.

    python -m tests.benchmarks.fuzz --documents 100000 [--reader NAME ...] [--minutes 9] [--seed 1]
    python -m tests.benchmarks.fuzz --frames 10000000 [--minutes 9] [--seed 1]
    python -m tests.benchmarks.fuzz --guided scenario --minutes 5      (needs `pip install atheris`)

Each document has SECONDS_MAX of CPU time, and the whole process MEMORY_MAX: what breaks either, or the invariant of
tests/hostile/readers.py, is printed and kept in --findings. `--state FILE` remembers how far a run came, so that it
can be had in slices; it adds up documents, CPU time and findings. A seed repeats its documents.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path
from random import Random
from types import FunctionType
from typing import Any

from tests.hostile.frames import Flood
from tests.hostile.readers import READERS, Reader, judge

SECONDS_MAX = 5.0
"""CPU time of one document."""
MEMORY_MAX = 3 << 30
"""Address space of the process; Python with numpy and scipy takes about one GiB of it, mostly reserved."""


class TooLong(BaseException):
    """A document took more than SECONDS_MAX."""


def _too_long(_number: int, _frame: object) -> None:
    raise TooLong


class Tally:
    """What was done so far, over all slices."""

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self.of: dict[str, dict[str, Any]] = {}
        if file is not None and file.exists():
            self.of = json.loads(file.read_text(encoding="utf-8"))

    def entry(self, name: str) -> dict[str, Any]:
        """The counts of one reader."""
        return self.of.setdefault(
            name, {"documents": 0, "cpu_s": 0.0, "longest_s": 0.0, "told": {}, "findings": 0}
        )

    def keep(self) -> None:
        """Writes them down."""
        if self._file is not None:
            self._file.write_text(json.dumps(self.of, indent=1), encoding="utf-8")


def fuzz_reader(reader: Reader, want: int, until_s: float, seed: int, tally: Tally, findings: Path) -> None:
    """Documents through one reader until there are `want` of them, or CPU time is up."""
    entry = tally.entry(reader.name)
    place = Path(
        tempfile.mkdtemp(prefix="asflown-fuzz-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
    )
    try:
        while entry["documents"] < want and time.process_time() < until_s:
            number = entry["documents"]
            if number % 500 == 0:  # a folder of its own now and then: nothing piles up
                shutil.rmtree(place)
                place.mkdir()
                reader.beside(place)
                tally.keep()
            _one(reader, place, Random(f"{seed}:{reader.name}:{number}"), entry, findings, number)
    finally:
        shutil.rmtree(place, ignore_errors=True)
        tally.keep()


def _one(
    reader: Reader, place: Path, chance: Random, entry: dict[str, Any], findings: Path, number: int
) -> None:
    try:
        data = reader.make(chance)
    except MemoryError:  # larger than we could hold: of no use for a reader, whose files are bounded
        data = reader.make(Random(f"another {number}"))
    path = place / reader.file
    for left in path.parent.glob(f"{path.name}-*"):  # an index of flights keeps its log beside it
        left.unlink()
    path.write_bytes(data)
    path.chmod(0o600)
    began_s = time.process_time()
    signal.setitimer(signal.ITIMER_PROF, SECONDS_MAX)
    try:
        told = judge(reader, path)
    except (Exception, TooLong) as error:  # noqa: BLE001  everything else is what is looked for
        signal.setitimer(signal.ITIMER_PROF, 0)
        told = "finding"
        entry["findings"] += 1
        _keep(findings, reader, data, error, number)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    took_s = time.process_time() - began_s
    entry["documents"] += 1
    entry["cpu_s"] += took_s
    entry["longest_s"] = max(entry["longest_s"], took_s)
    entry["told"][told] = entry["told"].get(told, 0) + 1


def _keep(findings: Path, reader: Reader, data: bytes, error: BaseException, number: int) -> None:
    """One example of each kind of finding: the class of the error and the line that raised it."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "asflown" in frame.filename] or frames
    name = f"{type(error).__name__}-{Path(ours[-1].filename).stem}-{ours[-1].lineno}"
    folder = findings / reader.name
    folder.mkdir(parents=True, exist_ok=True)
    kept = folder / name
    if not kept.exists() or kept.stat().st_size > len(data):
        new = not kept.exists()
        kept.write_bytes(data)
        (folder / f"{name}.txt").write_text(
            "".join(traceback.format_exception(error))[-6000:], encoding="utf-8", errors="replace"
        )
        if new:
            print(f"{reader.name} {number}: {name}: {str(error)[:200]!r}", flush=True)


def fuzz_frames(want: int, until_s: float, seed: int, tally: Tally, findings: Path) -> None:
    """Frames through the wire parser and the tlog index, a batch at a time; both are held against the truth."""
    entry = tally.entry("frames")
    with tempfile.TemporaryDirectory(prefix="asflown-fuzz-") as name:
        while entry["documents"] < want and time.process_time() < until_s:
            batch = entry.setdefault("batches", 0)
            began_s = time.process_time()
            flood = Flood(Random(f"{seed}:frames:{batch}"))
            try:
                counted = flood.run(Path(name))
            except Exception as error:  # noqa: BLE001  everything else is what is looked for
                counted = {}
                entry["findings"] += 1
                findings.mkdir(parents=True, exist_ok=True)
                (findings / f"frames-{batch}").write_bytes(flood.stream[: 1 << 20])
                print(f"frames, batch {batch}: {type(error).__name__}: {error}", flush=True)
                traceback.print_exc()
            took_s = time.process_time() - began_s
            entry["batches"] += 1
            entry["documents"] += counted.get("frames", 0)
            entry["cpu_s"] += took_s
            entry["longest_s"] = max(entry["longest_s"], took_s)
            for key, value in counted.items():
                entry["told"][key] = entry["told"].get(key, 0) + value
            tally.keep()


def guided(reader: Reader, minutes: float, findings: Path) -> None:
    """Documents that coverage leads to, by atheris: bytes of its own choice, from sound and spoilt ones on."""
    atheris = importlib.import_module("atheris")

    place = Path(tempfile.mkdtemp(prefix="asflown-fuzz-"))
    corpus = place / "corpus"
    corpus.mkdir()
    reader.beside(place)
    (place / reader.file).parent.mkdir(exist_ok=True)
    for number in range(300):
        (corpus / str(number)).write_bytes(reader.make(Random(number)))
    entry = {"documents": 0, "cpu_s": 0.0, "longest_s": 0.0, "told": {}, "findings": 0}

    def one(data: bytes) -> None:
        again = Reader(reader.name, reader.file, lambda _: data, reader.read, reader.beside)
        _one(again, place, Random(0), entry, findings, entry["documents"])  # type: ignore[call-overload,arg-type,unused-ignore]
        if entry["documents"] % 100 == 0:  # type: ignore[operator,unused-ignore]
            (findings / f"guided-{reader.name}.json").write_text(json.dumps(entry), encoding="utf-8")

    findings.mkdir(parents=True, exist_ok=True)
    for function in _readers_functions():
        atheris.instrument_func(function)
    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-max_total_time={round(minutes * 60)}",
            "-max_len=8192",
            "-rss_limit_mb=3000",
        ],
        one,
    )
    atheris.Fuzz()


def _readers_functions() -> list[FunctionType]:
    """Every function of ours and of the YAML parser that is loaded; all there are would take minutes to instrument."""
    loaded = [one for one in gc.get_objects() if isinstance(one, FunctionType)]
    return [one for one in loaded if str(one.__module__).partition(".")[0] in {"asflown", "yaml"}]


def main() -> int:
    """Runs what was asked for; exit code 1 when anything was found."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--documents", type=int, default=0)
    parser.add_argument("--frames", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=9.0, help="CPU minutes of this slice")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reader", action="append", choices=sorted(READERS))
    parser.add_argument("--guided", choices=sorted(READERS))
    parser.add_argument("--state", type=Path)
    parser.add_argument(
        "--findings", type=Path, default=Path(tempfile.gettempdir()) / "asflown-fuzz-findings"
    )
    options = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MAX, MEMORY_MAX))
    signal.signal(signal.SIGPROF, _too_long)
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(143))  # what was done is written down
    os.environ["COLUMNS"] = "200"
    if options.guided:
        guided(READERS[options.guided], options.minutes, options.findings)
        return 0
    tally = Tally(options.state)
    until_s = time.process_time() + options.minutes * 60
    if options.frames:
        fuzz_frames(options.frames, until_s, options.seed, tally, options.findings)
    for name in (options.reader or READERS) if options.documents else ():
        fuzz_reader(READERS[name], options.documents, until_s, options.seed, tally, options.findings)
    for name, entry in tally.of.items():
        print(  # one line each
            f"{name}: {entry['documents']} in {entry['cpu_s']:.0f} s of CPU time, longest {entry['longest_s']:.2f} s, "
            f"{entry['findings']} findings; {entry['told']}"
        )
    return int(any(entry["findings"] for entry in tally.of.values()))


if __name__ == "__main__":
    sys.exit(main())
