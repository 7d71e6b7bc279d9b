"""Documentation: every relative link leads somewhere, every page is in the index, and the tutorial runs as printed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.unit.source import ROOT

DOCS = ROOT / "harness" / "docs"
PAGES = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "tests" / "README.md",
    *sorted(DOCS.rglob("*.md")),
]
_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)|<(?:img|source)[^>]*?\bsrc=\"([^\"]+)\"")
_CODE = re.compile(r"```.*?```|`[^`\n]*`", re.DOTALL)
_COMMAND = re.compile(r"\$ (.*?)(?:\s+# exit code (\d+))?")


def links(page: Path) -> list[str]:
    """Targets of links and pictures, outside of code."""
    text = _CODE.sub("", page.read_text(encoding="utf-8"))
    return [first or second for first, second in _LINK.findall(text)]


def anchors(page: Path) -> set[str]:
    """Names of headings, as servers of repositories make them."""
    headings = re.findall(r"(?m)^#+ (.+)$", page.read_text(encoding="utf-8"))
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_relative_link_leads_somewhere(page: Path) -> None:
    """To a file or folder of the repository, and to a heading that is there where one is named."""
    broken = []
    for target in links(page):
        place, _, anchor = target.partition("#")
        if re.match(r"[a-z]+:", target):
            continue
        file = (page.parent / place).resolve() if place else page
        if not file.exists() or (anchor and file.suffix == ".md" and anchor not in anchors(file)):
            broken.append(target)
    assert broken == []


def test_every_page_is_in_the_index() -> None:
    """Nobody has to guess file names; pages in folders of their own are reached from theirs."""
    listed = {(DOCS / target.partition("#")[0]).resolve() for target in links(DOCS / "README.md")}
    missing = {page for page in DOCS.glob("*.md") if page.name != "README.md"} - listed
    assert {page.name for page in missing} == set()


def commands(page: Path) -> list[tuple[str, int]]:
    """The lines of console blocks, and the exit code that each announces."""
    blocks = re.findall(r"(?ms)^```console\n(.*?)^```$", page.read_text(encoding="utf-8"))
    found = [_COMMAND.fullmatch(line) for block in blocks for line in block.splitlines()]
    return [(match[1], int(match[2] or 0)) for match in found if match]


@pytest.mark.flight
@pytest.mark.slow
def test_the_tutorial_runs_as_printed(tmp_path: Path) -> None:
    """Each command in order, in a folder like a fresh clone, with the exit code that the page says."""
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    todo = commands(DOCS / "tutorial.md")
    assert len(todo) == 11
    for command, code in todo:
        done = subprocess.run(
            ["bash", "-c", command],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == code, f"{command}\n{done.stdout}{done.stderr}"
    assert (tmp_path / "site" / "index.html").is_file()
