"""The guides from an installed wheel: in a terminal and as pages, far from the sources and without a network."""

from __future__ import annotations

import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from tests.unit.report.test_guides import broken
from tests.unit.source import ROOT

SOURCES = ("README.md", "LICENSE", "pyproject.toml", "harness")


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command of a fresh environment with the wheel in it; what it depends on comes from this one."""
    folder = tmp_path_factory.mktemp("installed")
    source = folder / "source"
    source.mkdir()
    for name in SOURCES:
        place = ROOT / name
        ignored = shutil.ignore_patterns("__pycache__", "*.egg-info")
        (
            shutil.copytree(place, source / name, ignore=ignored)
            if place.is_dir()
            else shutil.copy(place, source)
        )
    _run(
        folder,
        sys.executable,
        "-m",
        "build",
        "--wheel",
        "--no-isolation",
        "--outdir",
        str(folder),
        str(source),
    )
    shutil.rmtree(source)
    (wheel,) = folder.glob("*.whl")
    _run(folder, sys.executable, "-m", "venv", "--without-pip", str(folder / "venv"))
    python = folder / "venv" / "bin" / "python"
    pip = [sys.executable, "-m", "pip", "--python", str(python), "install", "--no-index", "--no-deps"]
    _run(folder, *pip, str(wheel))
    (packages,) = (folder / "venv" / "lib").glob("python*/site-packages")
    (packages / "beside.pth").write_text(f"{sysconfig.get_path('purelib')}\n")
    return folder / "venv" / "bin" / "asflown"


def _run(folder: Path, *command: str) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_the_wheel_brings_its_guides(installed: Path, tmp_path: Path) -> None:
    """They are listed, shown, and written as pages whose links and pictures all lead somewhere."""
    listed = _run(tmp_path, str(installed), "docs")
    assert "  tutorial " in listed
    assert "  scenario-file " in listed
    assert _run(tmp_path, str(installed), "docs", "tutorial").startswith("# The first hour\n")
    _run(tmp_path, str(installed), "docs", "--html", str(tmp_path / "book"))
    assert broken(tmp_path / "book") == []
    pictures = {str(file.relative_to(tmp_path / "book")) for file in (tmp_path / "book").rglob("*.png")}
    kept = {str(file.relative_to(ROOT / "harness/docs")) for file in (ROOT / "harness/docs").rglob("*.png")}
    assert pictures == kept
    assert '<h1 id="asflown">asflown</h1>' in (tmp_path / "book" / "readme.html").read_text()
