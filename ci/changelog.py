#!/usr/bin/env python3
"""Puts harness/docs/changelog.md together from the fragments under .changes/, and checks that none is missing.

    python ci/changelog.py write              put the fragments into the section 'Unreleased'
    python ci/changelog.py check              is it up to date, and has a source change a fragment?
    python ci/changelog.py release 0.2.0 DATE  make 'Unreleased' that release, and remove the fragments

A fragment is `.changes/<issue>.<kind>.md`, or `<issue>.<kind>.<n>.md` for several of one kind: a sentence for a
user, who does not know the code. Kinds: added, changed, fixed, removed. Standard library only.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

KINDS = ("added", "changed", "fixed", "removed")
FRAGMENTS = Path(".changes")
CHANGELOG = Path("harness/docs/changelog.md")
SOURCE = "harness/asflown/"
TITLE = "# Changelog\n"
UNRELEASED = "## Unreleased\n"
_NAME = re.compile(rf"(\d+)\.({'|'.join(KINDS)})(?:\.(\d+))?\.md")
_SECTION = re.compile(r"^## ", re.MULTILINE)


class Refused(Exception):
    """Something that its author must mend; the text says what and how."""


@dataclass(frozen=True, order=True)
class Fragment:
    """One sentence for a user."""

    kind: int
    issue: int
    number: int
    text: str


def read_fragments(folder: Path) -> list[Fragment]:
    """All fragments, in the order of the changelog. Raises Refused for a wrong name or an empty text."""
    found = []
    for path in sorted(folder.glob("*")):
        if path.name.startswith((".", "README")):
            continue
        match = _NAME.fullmatch(path.name)
        if match is None:
            raise Refused(f"{path}: name it <issue>.<kind>.md, the kind being one of {', '.join(KINDS)}")
        text = " ".join(path.read_text(encoding="utf-8").split())
        if not text.endswith((".", "!", "?")):
            raise Refused(f"{path}: write a whole sentence for a user, with a full stop")
        found.append(Fragment(KINDS.index(match[2]), int(match[1]), int(match[3] or 0), text))
    return sorted(found)


def section(heading: str, fragments: list[Fragment]) -> str:
    """One section of the changelog, grouped by kind."""
    lines = [heading]
    for number, kind in enumerate(KINDS):
        entries = [fragment for fragment in fragments if fragment.kind == number]
        if entries:
            lines.append(f"\n### {kind.capitalize()}\n\n")
            lines += [f"- {entry.text} (issue {entry.issue})\n" for entry in entries]
    return "".join(lines)


def put_together(fragments: list[Fragment], before: str, heading: str = UNRELEASED) -> str:
    """The whole changelog: the fragments' section on top of the releases that `before` holds."""
    starts = [match.start() for match in _SECTION.finditer(before)]
    releases = [start for start in starts if not before.startswith(UNRELEASED, start)]
    old = before[releases[0] :] if releases else ""
    parts = [TITLE, section(heading, fragments) if fragments else "", old]
    return "\n".join(part.rstrip("\n") + "\n" for part in parts if part)


def changed_files() -> list[str] | None:
    """Files that differ from where this work began; None where that cannot be known (no git, no base)."""
    base = os.environ.get("ASFLOWN_BASE") or _git("merge-base", "HEAD", "origin/main")
    if not base:
        return None
    tracked = _git("diff", "--name-only", base.strip(), "--")
    untracked = _git("ls-files", "--others", "--exclude-standard")
    return None if tracked is None or untracked is None else [*tracked.splitlines(), *untracked.splitlines()]


def _git(*arguments: str) -> str | None:
    """What git prints; None when it is not there, or fails (a shallow clone knows no common ancestor)."""
    try:
        done = subprocess.run(["git", *arguments], capture_output=True, text=True, check=False)
    except OSError:
        return None
    return done.stdout if done.returncode == 0 else None


def check() -> str:
    """Says that all is well. Raises Refused for a changelog that is out of date or a fragment that is missing."""
    before = CHANGELOG.read_text(encoding="utf-8") if CHANGELOG.exists() else ""
    if put_together(read_fragments(FRAGMENTS), before) != before:
        raise Refused(f"{CHANGELOG} is out of date: run `python ci/changelog.py write`")
    changed = changed_files()
    if changed is None:
        return "changelog: up to date; whether a fragment is missing cannot be told here"
    source = [name for name in changed if name.startswith(SOURCE) and name.endswith(".py")]
    if source and not any(name.startswith((f"{FRAGMENTS}/", str(CHANGELOG))) for name in changed):
        more = f" and {len(source) - 1} more" if len(source) > 1 else ""
        raise Refused(
            f"{source[0]}{more} changed: say what a user sees of it in {FRAGMENTS}/<issue>.<kind>.md"
        )
    return "changelog: up to date"


def write(heading: str = UNRELEASED) -> str:
    """Writes the changelog from its fragments."""
    before = CHANGELOG.read_text(encoding="utf-8") if CHANGELOG.exists() else ""
    CHANGELOG.parent.mkdir(parents=True, exist_ok=True)
    CHANGELOG.write_text(put_together(read_fragments(FRAGMENTS), before, heading), encoding="utf-8")
    return f"wrote {CHANGELOG}"


def release(version: str, date: str) -> str:
    """Makes what is unreleased a release, and removes its fragments. Raises Refused when there is nothing."""
    if not read_fragments(FRAGMENTS):
        raise Refused(f"{FRAGMENTS} holds nothing to release")
    said = write(f"## {version} ({date})\n")
    for path in FRAGMENTS.glob("*.md"):
        if _NAME.fullmatch(path.name):
            path.unlink()
    return said


def main() -> int:
    """Runs the command line; 0 when all is well, 1 when its author must mend something."""
    parser = argparse.ArgumentParser(description="The changelog and its fragments.")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("write", help="put the fragments into the changelog")
    commands.add_parser("check", help="is the changelog up to date, and is no fragment missing?")
    releasing = commands.add_parser("release", help="make what is unreleased a release")
    releasing.add_argument("version")
    releasing.add_argument("date", help="as 2026-03-01")
    options = parser.parse_args()
    os.chdir(Path(__file__).resolve().parents[1])
    try:
        if options.command == "release":
            print(release(options.version, options.date))
        else:
            print(check() if options.command == "check" else write())
    except Refused as problem:
        print(problem, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
