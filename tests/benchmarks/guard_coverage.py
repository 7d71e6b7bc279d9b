"""Evidence for the tests of guard, preflight and conductor: each branch of their code, and whether a test takes it.

    python -m tests.benchmarks.guard_coverage [--unit] [--page]

Runs the tests that concern these modules with coverage.py, branches counted, in this process and in those that the
tests start (the command, the keeper); with `--unit` without the flights. Prints a table, and each branch that no test
took: the line it leaves, and where it leads. Exit code 1 when one is not in `guard_coverage_accepted.txt`, whose lines
say why it cannot be taken. --page puts the table into harness/docs/safety-review.md.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.page import put, table

TOP = Path(__file__).parents[2]
ACCEPTED = Path(__file__).with_name("guard_coverage_accepted.txt")
FLIGHT = Path("harness") / "asflown" / "flight"
MODULES = (
    "guard", "guard_causes", "guard_effect", "guard_terms", "guard_voice", "kept_guard", "takeover", "preflight",
    "conductor", "attempt",
)  # fmt: skip
UNIT_TESTS = ("tests/unit/flight",)
FLIGHTS = (
    "tests/flights/test_guard.py",
    "tests/flights/test_preflight.py",
    "tests/flights/test_operated.py",
    "tests/flights/test_kept_flights.py",
    "tests/flights/test_bench.py",
    "tests/flights/test_lockstep.py",
    "tests/flights/test_bad_scripts.py",
    "tests/flights/test_containers.py",
    "tests/flights/test_conditions.py",
    "tests/flights/test_struck.py",
)
CONFIGURATION = """[run]
branch = True
parallel = True
patch = subprocess
data_file = {data}
include = {include}
"""


@dataclass(frozen=True)
class Missed:
    """A branch that no test took."""

    module: str
    line: int
    leads_to: int
    """A line of the module; negative for its function's end."""
    text: str
    """The line it leaves, as it is written."""

    def __str__(self) -> str:
        where = f"line {self.leads_to}" if self.leads_to > 0 else "the end of the function"
        return f"{self.module}:{self.line}: {self.text}  ->  {where}"


def measured(tests: list[str], folder: Path) -> tuple[dict[str, dict[str, int]], list[Missed]]:
    """Runs the tests: of each module its counts, and all branches that were missed. Raises SystemExit if tests fail."""
    files = [TOP / FLIGHT / f"{name}.py" for name in MODULES]
    configuration, data, report = folder / "coveragerc", folder / "data", folder / "report.json"
    include = "".join(f"\n    {file}" for file in files)
    configuration.write_text(CONFIGURATION.format(data=data, include=include), encoding="utf-8")
    coverage = [sys.executable, "-m", "coverage"]
    by = f"--rcfile={configuration}"
    pytest = ["-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *tests]
    environment = {**os.environ, "PYTHONPATH": ""}
    tested = subprocess.run([*coverage, "run", by, *pytest], cwd=TOP, env=environment, check=False)
    subprocess.run([*coverage, "combine", "-q", by], cwd=TOP, check=True)
    subprocess.run([*coverage, "json", "-q", by, "-o", report], cwd=TOP, check=True)
    if tested.returncode:
        print("some tests failed: what they did not come to is missing here", file=sys.stderr)
    return _read(json.loads(report.read_text(encoding="utf-8")))


def _read(report: dict[str, object]) -> tuple[dict[str, dict[str, int]], list[Missed]]:
    counts: dict[str, dict[str, int]] = {}
    missed: list[Missed] = []
    files = report["files"]
    assert isinstance(files, dict)
    for name, found in sorted(files.items()):
        module = Path(name).stem
        counts[module] = found["summary"]
        lines = (TOP / FLIGHT / f"{module}.py").read_text(encoding="utf-8").splitlines()
        missed += [
            Missed(module, line, to, lines[line - 1].strip()) for line, to in found["missing_branches"]
        ]
    return counts, missed


def accepted() -> set[tuple[str, str]]:
    """Module and line of branches that cannot be taken, as they are written: `module | line | why`."""
    lines = ACCEPTED.read_text(encoding="utf-8").splitlines() if ACCEPTED.exists() else []
    parts = [line.split(" | ") for line in lines if line.strip() and not line.startswith("#")]
    return {(module, text) for module, text, _why in parts}


def told(counts: dict[str, dict[str, int]], missed: list[Missed], known: set[tuple[str, str]]) -> str:
    """The table, in Markdown."""
    rows = []
    for module, count in counts.items():
        left = [one for one in missed if one.module == module]
        excused = sum((one.module, one.text) in known for one in left)
        rows.append([
            module, str(count["num_statements"]), str(count["num_branches"]), str(count["covered_branches"]),
            str(excused), str(len(left) - excused),
        ])  # fmt: skip
    return table(["module", "statements", "branches", "taken", "cannot be taken", "not taken"], rows)


def main() -> int:
    """Measures and tells."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--unit", action="store_true", help="without the flights")
    parser.add_argument(
        "--page", action="store_true", help="put the table into harness/docs/safety-review.md"
    )
    options = parser.parse_args()
    tests = [*UNIT_TESTS, *(() if options.unit else FLIGHTS)]
    with tempfile.TemporaryDirectory(prefix="asflown-coverage-") as name:
        counts, missed = measured(tests, Path(name))
    known = accepted()
    print(told(counts, missed, known))
    left = [one for one in missed if (one.module, one.text) not in known]
    for one in left:
        print(one)
    if options.page:
        put("safety-review.md", "guard_coverage", told(counts, missed, known))
    return int(bool(left))


if __name__ == "__main__":
    sys.exit(main())
