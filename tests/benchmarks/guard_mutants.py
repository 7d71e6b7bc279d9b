"""Evidence for the guard's tests: each small mistake made in its code, and whether a test notices.

    python -m tests.benchmarks.guard_mutants [--flights] [--keep FOLDER] [--page]

Lays the package and its tests out in a folder of their own, as mutmut wants them, and lets it mutate what MUTATED names
one operator, constant, argument or statement at a time. Prints what no test noticed; with `--flights` the guarded
flights count as tests, too, which takes an hour. Exit code 1 when a mutant survived that is not in
`guard_mutants_accepted.txt`, where each line gives a mutant that makes no difference, and why.
"""

from __future__ import annotations

import argparse
import collections
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.page import put, table

TOP = Path(__file__).parents[2]
ACCEPTED = Path(__file__).with_name("guard_mutants_accepted.txt")
MUTATED = ("guard", "guard_causes", "guard_effect", "guard_terms", "guard_voice", "takeover")
UNIT_TESTS = ("tests/unit/flight/test_guard*.py", "tests/unit/flight/test_takeover*.py")
FLIGHTS = ("tests/flights/test_guard.py",)
NOTICED = ("killed", "timeout")
"""A test failed, or did not end."""
CONFIGURATION = """[tool.pytest.ini_options]
addopts = "-p no:cacheprovider"
[tool.mutmut]
source_paths = ["src"]
only_mutate = {mutated}
also_copy = ["scenarios"]
pytest_add_cli_args_test_selection = {tests}
"""


def lay_out(folder: Path, *, flights: bool) -> None:
    """Puts package, tests and configuration where mutmut looks for them."""
    shutil.copytree(TOP / "harness" / "asflown", folder / "src" / "asflown")
    for name in ("tests", "scenarios"):
        shutil.copytree(TOP / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    patterns = UNIT_TESTS + (FLIGHTS if flights else ())
    tests = [str(file.relative_to(TOP)) for pattern in patterns for file in sorted(TOP.glob(pattern))]
    mutated = [f"src/asflown/flight/{name}.py" for name in MUTATED]
    text = CONFIGURATION.format(mutated=mutated, tests=tests)
    (folder / "pyproject.toml").write_text(text, encoding="utf-8")


def found(folder: Path) -> dict[str, str]:
    """Every mutant that lived, or had no test, with that word."""
    environment = {**os.environ, "PYTHONPATH": ""}
    command = [sys.executable, "-m", "mutmut"]
    with (folder / "mutmut.log").open("w", encoding="utf-8") as log:
        subprocess.run([*command, "run"], cwd=folder, env=environment, stdout=log, stderr=log, check=False)
    done = subprocess.run(
        [*command, "results", "--all", "true"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return dict(re.findall(r"^\s*(\S+): (.+)$", done.stdout, re.MULTILINE))


def accepted() -> set[str]:
    """Mutants that are known to make no difference."""
    lines = ACCEPTED.read_text(encoding="utf-8").splitlines() if ACCEPTED.exists() else []
    return {line.split(maxsplit=1)[0] for line in lines if line.strip() and not line.startswith("#")}


def main() -> int:
    """Mutates, tests, tells."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--flights", action="store_true")
    parser.add_argument("--keep", type=Path, help="lay out here and keep it, for `mutmut show NAME`")
    parser.add_argument(
        "--page", action="store_true", help="put the table into harness/docs/safety-review.md"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="asflown-mutants-") as name:
        folder = options.keep or Path(name)
        lay_out(folder, flights=options.flights)
        results = found(folder)
    known = accepted()
    left = {name: how for name, how in results.items() if how not in NOTICED and name not in known}
    rows = _rows(results, known)
    print(table(["module", "mutants", "killed", "make no difference", "survived"], rows))
    for name, how in sorted(left.items()):
        print(f"{how}: {name}")
    if options.page:
        put(
            "safety-review.md",
            "guard_mutants",
            table(["module", "mutants", "killed", "make no difference", "survived"], rows),
        )
    return 1 if left else 0


def _rows(results: dict[str, str], known: set[str]) -> list[list[str]]:
    counts: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    for name, how in results.items():
        module = name.split(".")[2]
        counts[module]["all"] += 1
        counts[module]["killed" if how in NOTICED else "known" if name in known else "left"] += 1
    return [
        [module, *(str(count[key]) for key in ("all", "killed", "known", "left"))]
        for module, count in sorted(counts.items())
    ]


if __name__ == "__main__":
    sys.exit(main())
