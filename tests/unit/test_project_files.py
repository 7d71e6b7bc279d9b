"""The files of the project itself: what lies at the top, what is pinned, and that versions agree."""

from __future__ import annotations

import re
import subprocess
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

import asflown
from tests.unit.source import ROOT

TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "ci", "harness", "scenarios", "tests"}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCK = (ROOT / "ci" / "lock.txt").read_text(encoding="utf-8")
PINNED = {
    canonicalize_name(match[1]): Version(match[2])
    for match in re.finditer(r"^([\w.-]+)==(\S+)", LOCK, re.MULTILINE)
}
DEPENDENCIES = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["dev"]]


def test_the_top_of_the_repository_is_short() -> None:
    """Beside dot files, the top holds what the design lists and nothing else."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git repository")
    found = {name.partition("/")[0] for name in listed.stdout.splitlines() if not name.startswith(".")}
    assert found <= TOP


def test_the_version_is_the_same_everywhere() -> None:
    """The package says the version that the distribution has."""
    assert asflown.__version__ == PROJECT["version"]


@pytest.mark.parametrize("dependency", DEPENDENCIES)
def test_every_dependency_is_pinned_as_asked(dependency: str) -> None:
    """The lock holds each dependency in a version that the project accepts."""
    wanted = Requirement(dependency)
    assert PINNED[canonicalize_name(wanted.name)] in wanted.specifier


def test_everything_pinned_has_hashes() -> None:
    """Each pinned distribution is followed by at least one hash."""
    blocks = re.split(r"(?m)^(?=[\w.-]+==)", LOCK)[1:]
    assert [block.split()[0] for block in blocks if "--hash=sha256:" not in block] == []
    assert len(blocks) == len(PINNED)


def test_the_lock_names_no_place() -> None:
    """No address of an index and no path stands in the lock: it works wherever its reader installs from."""
    lines = [line for line in LOCK.splitlines() if not line.startswith("#")]
    places = re.compile(r"://|^\s*(-i|-f|--index|--extra-index|--find-links|--trusted-host)\b|(^|\s)[./]\S*/")
    assert [line for line in lines if places.search(line)] == []
