"""What holding a script costs: the wall time of a flight by part, and the script's own processor time by part.

    python -m tests.benchmarks.shim_cost [--flights 5] [--accelerated [FOLDER]] [--no-paced]

Wall time: the harness is interrupted each millisecond of wall time while it flies nest-boxes in lockstep; a sample
counts for the room whose code runs, or for the script where the harness waits for it. Processor time of the script: it
is interrupted each millisecond of it; a sample counts for the shim, for pymavlink, or for the script itself, whoever
of them is innermost, and for the start while modules are imported. What the interpreter used before its first line is
the rest of the start. Beside: the same script by wall time without the shim, where it takes what comes as it comes.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import perf_counter
from types import FrameType
from typing import Any

from tests.benchmarks.compiled_build import ACCELERATED
from tests.benchmarks.where_the_time_goes import OTHERS, ROOMS, SAMPLE_S

TOP = Path(__file__).parents[2]
WAITING = "waiting for the script"
START, SHIM, MAVLINK, SCRIPT = "interpreter and imports", "shim", "pymavlink", "the script's own lines"
SAMPLED = '''"""nest_boxes.py, sampled by processor time; what was found goes to the file that the environment names."""
import resource

begun = resource.getrusage(resource.RUSAGE_SELF)

import ctypes
import json
import os
import signal
from collections import Counter

samples = Counter()


def sample(_number, frame):
    place = ""
    while frame is not None:
        file = frame.f_code.co_filename
        if "importlib" in file:
            samples["interpreter and imports"] += 1
            return
        if not place:
            if "asflown_held" in file or "sitecustomize" in file:
                place = "shim"
            elif "pymavlink" in file:
                place = "pymavlink"
            elif file.endswith("nest_boxes.py"):
                place = "the script's own lines"
        frame = frame.f_back
    samples[place or "interpreter and imports"] += 1


signal.signal(signal.SIGPROF, sample)
system, every = ctypes.CDLL(None), (ctypes.c_long * 4)(0, 1000, 0, 1000)
started = resource.getrusage(resource.RUSAGE_SELF)
system.setitimer(signal.ITIMER_PROF, every, None)  # past the shim, which holds no timers of processor time
import nest_boxes

nest_boxes.main()
system.setitimer(signal.ITIMER_PROF, (ctypes.c_long * 4)(), None)
ended = resource.getrusage(resource.RUSAGE_SELF)
before_ms = 1e3 * (begun.ru_utime + begun.ru_stime)
all_ms = 1e3 * (ended.ru_utime + ended.ru_stime - started.ru_utime - started.ru_stime)
found = {name: all_ms * hits / sum(samples.values()) for name, hits in samples.items()}
found["interpreter and imports"] = found.get("interpreter and imports", 0.0) + before_ms
with open(os.path.join(os.path.dirname(__file__), "sampled.jsonl"), "a") as out:
    out.write(json.dumps(found) + "\\n")
'''


def harness_wall(flights: int) -> dict[str, float]:
    """Milliseconds of wall time of one flight by part, in this process."""
    import asflown
    from tests.benchmarks.flight_pace import demo

    package = f"{Path(asflown.__file__).parent}{os.sep}"
    samples: Counter[str] = Counter()

    def sample(_number: int, frame: FrameType | None) -> None:
        while frame is not None and not frame.f_code.co_filename.startswith(package):
            frame = frame.f_back
        while frame is not None and frame.f_code.co_name == "<lambda>":
            frame = frame.f_back
        if frame is None:
            samples[OTHERS] += 1
        elif frame.f_code.co_name == "blocking":
            samples[WAITING] += 1
        else:
            room = Path(frame.f_code.co_filename.removeprefix(package)).parts[0]
            samples[ROOMS.get(room, OTHERS)] += 1

    with demo(TOP / "scenarios" / "nest_boxes") as fly:
        fly(1)
        before = signal.signal(signal.SIGALRM, sample)
        begin = perf_counter()
        signal.setitimer(signal.ITIMER_REAL, SAMPLE_S, SAMPLE_S)
        for seed in range(1, flights + 1):
            fly(seed)
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        total_ms = 1e3 * (perf_counter() - begin) / flights
        signal.signal(signal.SIGALRM, before)
    return {room: total_ms * hits / samples.total() for room, hits in samples.items()}


@contextmanager
def _sampled_demo() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="asflown-shim-") as name:
        place = Path(shutil.copytree(TOP / "scenarios" / "nest_boxes", Path(name) / "nest_boxes"))
        (place / "sampled.py").write_text(SAMPLED, encoding="utf-8")
        for file in place.glob("*.scenario.yaml"):
            text = file.read_text(encoding="utf-8")
            file.write_text(text.replace("[python, nest_boxes.py", "[python, sampled.py"), encoding="utf-8")
        yield place


def script_cpu(flights: int) -> dict[str, float]:
    """Milliseconds of processor time of the script in lockstep by part: means over flights."""
    from tests.benchmarks.flight_pace import demo

    with _sampled_demo() as place, demo(place) as fly:
        for seed in range(1, flights + 1):
            fly(seed)
        lines = (place / "sampled.jsonl").read_text(encoding="utf-8").splitlines()
        assert len(lines) == flights
        found = [json.loads(line) for line in lines]
    return {
        part: sum(one.get(part, 0.0) for one in found) / flights for part in (START, SHIM, MAVLINK, SCRIPT)
    }


def paced_cpu_ms() -> float:
    """Processor time of the script by wall time, without the shim: one flight, a minute."""
    from tests.benchmarks.flight_pace import demo

    with demo(TOP / "scenarios" / "nest_boxes", "paced") as fly:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        fly(1)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return 1e3 * (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def measured(package: Path, flights: int, *, paced: bool) -> dict[str, Any]:
    """Wall time, the script's time, and the time of the script without the shim, of the build in `package`."""
    environment = {**os.environ, "PYTHONPATH": f"{package}{os.pathsep}{TOP}"}
    argv = [sys.executable, "-m", "tests.benchmarks.shim_cost", "--measure", "--flights", str(flights)]
    argv += [] if paced else ["--no-paced"]
    done = subprocess.run(argv, env=environment, cwd=TOP, check=True, stdout=subprocess.PIPE, text=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def tables(builds: dict[str, dict[str, Any]]) -> str:
    """Wall time of a flight by part, and the script's processor time by part; a column for each build."""
    from tests.benchmarks.page import table

    walls = [build["wall"] for build in builds.values()]
    rooms = [*dict.fromkeys(ROOMS.values()), OTHERS, WAITING]
    rows = [[room, *(_share(wall, room) for wall in walls)] for room in rooms]
    rows.append(["**wall time**", *(f"**{sum(wall.values()):.0f}**" for wall in walls)])
    scripts = [build["script"] for build in builds.values()]
    parts = [[part, *(_share(script, part) for script in scripts)] for part in (START, SHIM, MAVLINK, SCRIPT)]
    parts.append(["**in lockstep**", *(f"**{sum(script.values()):.0f}**" for script in scripts)])
    if all(build["paced"] is not None for build in builds.values()):
        without = "by wall time, without the shim"
        parts.append([without, *(f"{build['paced']:.0f}" for build in builds.values())])
    heads = ["nest-boxes in lockstep, ms of wall time", "nest-boxes, ms of the script's processor time"]
    return "\n\n".join(
        table([head, *builds], lines) for head, lines in zip(heads, (rows, parts), strict=True)
    )


def _share(values: dict[str, float], name: str) -> str:
    return f"{values.get(name, 0.0):.0f} ({values.get(name, 0.0) / sum(values.values()):.0%})"


def main() -> None:
    """Measures and prints."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flights", type=int, default=5)
    parser.add_argument("--accelerated", type=Path, nargs="?", const=ACCELERATED)
    parser.add_argument("--no-paced", action="store_true")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.measure:
        paced = None if options.no_paced else paced_cpu_ms()
        count = options.flights
        print(json.dumps({"wall": harness_wall(count), "script": script_cpu(count), "paced": paced}))
        return
    package = options.accelerated or TOP / "harness"
    print(tables({"now": measured(package, options.flights, paced=not options.no_paced)}))


if __name__ == "__main__":
    main()
