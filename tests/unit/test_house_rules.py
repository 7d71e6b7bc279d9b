"""House rules that no tool knows, as tests; what ruff and mypy demand is not repeated here.

Each rule names the places that break it, and an exception stands in a table with its reason. A table may shrink;
an exception that is no longer needed fails, too.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterable

import grimp
import pytest

from asflown import errors
from tests.unit.source import (
    PACKAGE,
    ROOT,
    SHIM,
    TESTS,
    Module,
    dotted,
    own_lines,
    package_modules,
    test_modules,
)

WALL_TIME = frozenset({
    "time.time", "time.time_ns", "time.monotonic", "time.monotonic_ns", "time.perf_counter",
    "time.perf_counter_ns", "time.sleep", "time.clock_gettime", "time.clock_gettime_ns",
    "datetime.datetime.now", "datetime.datetime.utcnow", "datetime.datetime.today", "datetime.date.today",
})  # fmt: skip
WALL_TIME_ALLOWED: dict[str, str] = {}
"""Modules outside clock/ that may read wall time, and why."""

CHANCE = ("random.", "numpy.random.", "os.urandom", "secrets.", "uuid.uuid1", "uuid.uuid4")
OWN_STATE = frozenset({
    "random.Random", "numpy.random.Generator", "numpy.random.default_rng", "numpy.random.PCG64",
    "numpy.random.SeedSequence",
})  # fmt: skip
"""Sources of chance whose state belongs to whoever made them."""

DIALECTS = frozenset({"common", "development", "minimal", "standard"})
"""MAVLink dialects of the standard itself."""

LONGEST_FUNCTION = 60
LONG_FUNCTIONS: dict[str, int] = {}
"""Functions that are longer, and how long they may be: they may shrink and must not grow."""

WORDS = {
    r"whitelist": "allow-list",
    r"blacklist": "deny-list",
    r"slave": "the name of its part",
    r"dummy": "what it stands for",
    r"sanity": "check",
    r"sorties?": "flight",
    r"drones?": "vehicle",
    r"obviously|trivially": "nothing: what is obvious needs no word",
    r"foo|baz": "a name from the trade",
}
"""Words that do not appear, and what to write instead."""

HOMELESS_NAMES = frozenset({"utils", "util", "helpers", "misc", "tools", "stuff", "common", "manager"})
"""Module names that do not say what is inside."""

STARTED_FROM_OUTSIDE = {
    "asflown.__main__": "python -m asflown",
    "asflown.vehicle.keeper": "a process of its own, by vehicle/keeper_client.py",
    "asflown.flight.kept_guard": "by its name, in the keeper's process",
    "asflown.pytest_plugin": "pytest, by its entry point",
}
"""Modules that nobody imports, and who starts them."""


def ids(module: Module) -> str:
    """A readable test id."""
    return module.name


def in_shim(module: Module) -> bool:
    """Whether a module runs inside scripts, whose clocks and chance it stands in for."""
    return module.path.is_relative_to(SHIM)


def test_only_the_clock_reads_wall_time() -> None:
    """Outside clock/ nobody asks what time it is, except where the table says why."""
    modules = [m for m in package_modules() if not m.path.is_relative_to(PACKAGE / "clock")]
    found = {m.name: line for m in modules for line, name in m.names() if name in WALL_TIME}
    assert found.keys() == WALL_TIME_ALLOWED.keys(), found


def test_nobody_draws_from_shared_chance() -> None:
    """Randomness comes from a generator that was passed in, never from state that all share."""
    found = [
        f"{module.name}:{line}: {name}"
        for module in package_modules()
        if not in_shim(module)
        for line, name in module.names()
        if name.startswith(CHANCE) and name not in OWN_STATE
    ]
    assert found == []


def test_every_generator_is_seeded() -> None:
    """A generator without a seed would make two equal flights differ."""
    makers = {"default_rng", "Random", "PCG64"}
    found = [
        f"{module.name}:{node.lineno}"
        for module in package_modules()
        if not in_shim(module)
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Call) and dotted(node.func).rpartition(".")[2] in makers
        if not node.args and not node.keywords
    ]
    assert found == []


def test_only_the_standards_own_dialects_are_used() -> None:
    """MAVLink messages come from the standard's dialects, never from a vendor's."""
    found = [
        f"{module.name}:{line}: {name}"
        for module in (*package_modules(), *test_modules())
        for line, name in module.imports()
        if name.startswith("pymavlink.dialects.") and name.split(".")[3] not in DIALECTS
    ]
    assert found == []


def test_no_error_is_made_and_not_raised() -> None:
    """An error that is built and dropped lets a wrong call do nothing."""
    kinds = {name for name in vars(errors) if isinstance(vars(errors)[name], type)}
    kinds |= {name for name in dir(__builtins__) if name.endswith("Error")}
    found = [
        f"{module.name}:{node.lineno}"
        for module in package_modules()
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
        if dotted(node.value.func).rpartition(".")[2] in kinds
    ]
    assert found == []


def test_functions_stay_short() -> None:
    """No function outgrows the limit; those in the table do not grow, and leave it when they have shrunk."""
    found = {
        f"{module.name}:{function.name}": own_lines(function)
        for module in package_modules()
        for function in module.functions()
        if own_lines(function) > LONGEST_FUNCTION
    }
    assert found == LONG_FUNCTIONS


def test_every_module_opens_with_its_purpose() -> None:
    """The first sentence of a module, in the package and in the tests, says what it is for."""
    modules = [module for module in (*package_modules(), *test_modules()) if module.tree.body]
    assert [module.name for module in modules if not ast.get_docstring(module.tree)] == []


def test_every_test_states_the_behaviour() -> None:
    """Each test's docstring is a sentence: the suite reads as the specification."""
    found = []
    for module in test_modules():
        for function in module.functions():
            sentence = ast.get_docstring(function) or ""
            if function.name.startswith("test_") and not sentence.rstrip().endswith((".", "?", "!")):
                found.append(f"{module.name}:{function.lineno}: {function.name}")
    assert found == []


def _written() -> Iterable[tuple[str, str]]:
    """Every text file that people of the project write, with its name."""
    folders = (ROOT / "harness", TESTS, ROOT / "ci", ROOT / "scenarios", ROOT / ".changes", ROOT / ".ci")
    files = [path for folder in folders for path in folder.rglob("*") if path.is_file()]
    files += [ROOT / name for name in ("README.md", "DEVELOPERS.md", "pyproject.toml")]
    for path in sorted(files):
        name = path.relative_to(ROOT).as_posix()
        derived = {"__pycache__", "asflown.egg-info", ".mypy_cache", "data"} & set(path.parts)
        if not derived and path.suffix in {".py", ".md", ".yaml", ".toml", ".xml", ""}:
            yield name, path.read_text(encoding="utf-8", errors="replace")


def test_words_come_from_the_vocabulary() -> None:
    """Where a listed word appears, its replacement is written."""
    here = "tests/unit/test_house_rules.py"
    found = [
        f"{name}: '{match.group()}', write {instead}"
        for name, text in _written()
        if name != here
        for word, instead in WORDS.items()
        for match in re.finditer(rf"\b({word})\b", text, re.IGNORECASE)
    ]
    assert found == []


def test_no_text_knows_the_machine_it_was_written_on() -> None:
    """No absolute path of somebody's machine stands in the project."""
    pattern = re.compile(r"(?<![\w./])/(?:work|root|home|Users)/\w+")
    found = [f"{name}: {match.group()}" for name, text in _written() for match in pattern.finditer(text)]
    assert found == []


def test_module_names_say_what_is_inside() -> None:
    """A module is named for its purpose, not for being useful."""
    found = [m.name for m in (*package_modules(), *test_modules()) if m.path.stem in HOMELESS_NAMES]
    assert found == []


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    """Who imports whom, imports for type checkers left out."""
    return grimp.build_graph("asflown", exclude_type_checking_imports=True, cache_dir=None)


def test_no_module_imports_itself_round_a_corner(graph: grimp.ImportGraph) -> None:
    """There is no import cycle, through `__init__` neither."""
    found = [
        f"{module} by way of {imported}"
        for module in sorted(graph.modules)
        for imported in sorted(graph.find_modules_directly_imported_by(module))
        if graph.find_shortest_chain(imported, module) is not None
    ]
    assert found == []


def test_no_module_is_dead(graph: grimp.ImportGraph) -> None:
    """Every module is imported by another one, or started by somebody who is named."""
    idle = {
        module
        for module in graph.modules
        if not graph.find_modules_that_directly_import(module) and not graph.find_children(module)
    }
    shim = {module for module in idle if module.startswith("asflown.clock.shim")}
    assert idle - shim == set(STARTED_FROM_OUTSIDE)


@pytest.mark.parametrize("module", [m for m in package_modules() if in_shim(m)], ids=ids)
def test_the_shim_needs_nothing_but_the_standard_library(module: Module) -> None:
    """What runs inside a user's interpreter imports standard modules and its own, and is valid Python 3.9."""
    allowed = {*sys.stdlib_module_names, *(path.stem for path in SHIM.rglob("*")), "asflown_held"}
    foreign = {name.partition(".")[0] for _, name in module.imports()} - allowed
    assert foreign == set()
    ast.parse(module.path.read_text(encoding="utf-8"), feature_version=(3, 9))


def test_every_test_folder_is_a_package() -> None:
    """Test modules of different rooms may have the same name."""
    folders = {path.parent for path in TESTS.rglob("test_*.py")}
    assert [str(folder) for folder in sorted(folders) if not (folder / "__init__.py").exists()] == []
