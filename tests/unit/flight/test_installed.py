"""What asflown runs on: its Python and packages, told without importing them."""

from __future__ import annotations

from importlib import metadata

import pytest

from asflown.flight.installed import look_at_packages, look_at_python


@pytest.mark.parametrize(
    ("version", "platform", "state"),
    [
        ((3, 10, 9), "linux", "wrong"),
        ((3, 11, 0), "linux", "ok"),
        ((4, 0, 0), "linux", "ok"),
        ((3, 12, 1), "darwin", "wrong"),
    ],
    ids=["too old", "oldest", "next", "other system"],
)
def test_python_is_judged_by_version_and_system(version: tuple[int, ...], platform: str, state: str) -> None:
    """Python 3.11 and newer on Linux will do, and nothing else."""
    found = look_at_python(version, platform)
    assert found.state == state
    assert bool(found.todo) is (state == "wrong")


def test_missing_and_old_packages_are_named_with_the_command() -> None:
    """What is missing, what is too old, and the command that installs both; what is well is not named."""
    have = metadata.version("numpy")
    found = look_at_packages(["numpy>=99", "no-such-package>=1.0", "pydantic>=2.0", "evdev>=9; extra == 'x'"])
    assert found.state == "wrong"
    assert found.found == f"numpy is {have}, needed is 99; no-such-package is missing"
    assert found.todo.endswith("-m pip install 'numpy>=99' 'no-such-package>=1.0'")


def test_equal_releases_are_new_enough() -> None:
    """Trailing zeros do not make a release newer."""
    have = metadata.version("numpy")
    assert look_at_packages([f"numpy>={have}.0"]).state == "ok"


def test_the_packages_of_this_environment_will_do() -> None:
    """What is declared is what is installed here."""
    assert look_at_packages().state == "ok"
