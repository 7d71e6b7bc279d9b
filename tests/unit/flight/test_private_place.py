"""The folder for a flight's sockets: removed at the end, and swept where a run was killed."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from asflown.flight import private_place
from asflown.flight.private_place import PrivatePlace

KILLED = """
import os, signal, sys
from asflown.flight.private_place import PrivatePlace
place = PrivatePlace()
(place.path / "clock").touch()
print(place.path, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture(autouse=True)
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Temporary files of these tests lie in their own folder."""
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)


def test_what_a_killed_run_left_is_swept_by_the_next(tmp_path: Path) -> None:
    """At once, with all that lies in it; one that is in use stays, and so does what is no folder of ours."""
    killed = subprocess.run([sys.executable, "-c", KILLED], capture_output=True, text=True, check=False)
    assert killed.returncode == -signal.SIGKILL
    assert (Path(killed.stdout.strip()) / "clock").exists()
    (tmp_path / "asflown-of-somebody").mkdir()
    (tmp_path / "asflown-link").symlink_to("/")
    used = PrivatePlace()
    others = {entry.name for entry in tmp_path.iterdir()} - {used.path.name}
    assert others == {"asflown-of-somebody", "asflown-link"}
    second = PrivatePlace()
    assert used.path.exists()
    for place in (used, second, second):
        place.close()
    assert not used.path.exists()


def test_one_that_is_about_to_be_locked_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While its maker lives: a lock that nobody holds may be held in a moment, and in an hour is left for good."""
    young = tmp_path / f"asflown-{os.getpid()}-young"
    young.mkdir()
    (young / private_place.LOCK).touch()
    private_place.sweep()
    assert young.exists()
    monkeypatch.setattr(private_place, "OLD_ENOUGH_S", -1.0)
    private_place.sweep()
    assert not young.exists()


def test_it_is_removed_where_no_descriptor_is_left() -> None:
    """The lock's own is enough."""
    place = PrivatePlace()
    (place.path / "clock").touch()
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    taken = []
    resource.setrlimit(resource.RLIMIT_NOFILE, (64, before[1]))
    try:
        while True:
            try:
                taken.append(os.open("/dev/null", os.O_RDONLY))
            except OSError:
                break
        place.close()
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
        for descriptor in taken:
            os.close(descriptor)
    assert not place.path.exists()


def test_it_is_for_its_user_alone() -> None:
    """Nobody else may look in."""
    place = PrivatePlace()
    assert place.path.stat().st_mode & 0o777 == 0o700
    place.close()
