"""Commands as pages print them, so that tests can type them.

A block of commands is fenced, in `console` (lines begin with `$`) or without a language (an explanation may stand two
spaces behind the command). `# exit code 1` behind a command says how it ends; comments in the page that nobody sees
say the rest, each on a line of its own above the block:

    <!-- not run: REASON -->        needs hardware or a network, or is run elsewhere
    <!-- nightly: REASON -->        run only with ASFLOWN_EVERY_BLOCK=1
    <!-- before: COMMAND -->        makes what the reader has already
    <!-- instead of A: B -->        types B where the page says A, to keep it short
    <!-- ends with: 0, 4 -->        the exit codes of the block's commands
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.unit.source import ROOT

_FENCED = re.compile(r"(?ms)^((?:<!-- [^\n]* -->\n)*)```(\w*)\n(.*?)^```$")
_DIRECTIVE = re.compile(r"<!-- (not run|nightly|before|ends with|instead of ([^:]+)): (.*) -->")
_PROGRAM = re.compile(r"(\$ |asflown |ci/|python |pip |git |docker |PIP_|PYTHONPATH|pytest )")
_ENDS = re.compile(r"(.*?)\s+# exit code (\d+)")


@dataclass(frozen=True, slots=True)
class Typed:
    """A command and the exit code that it announces."""

    command: str
    exit_code: int = 0


@dataclass(frozen=True, slots=True)
class Block:
    """One fenced block of commands."""

    page: Path
    line: int
    commands: tuple[Typed, ...]
    not_run: str
    nightly: str

    @property
    def name(self) -> str:
        """`compare.md:8`."""
        return f"{self.page.name}:{self.line}"


def blocks(page: Path) -> list[Block]:
    """All blocks of commands of a page."""
    text = page.read_text(encoding="utf-8")
    return [
        _block(page, text.count("\n", 0, found.start(3)), found[1], found[3])
        for found in _FENCED.finditer(text)
        if found[2] == "console" or (not found[2] and _PROGRAM.match(found[3]))
    ]


def _block(page: Path, line: int, above: str, body: str) -> Block:
    said = [(word, old, rest) for word, old, rest in _DIRECTIVE.findall(above)]
    told = {word: rest for word, _, rest in said}
    before = [Typed(rest) for word, _, rest in said if word == "before"]
    commands = list(_commands(body))
    if "ends with" in told:
        codes = [int(code) for code in told["ends with"].split(",")]
        commands = [Typed(one.command, code) for one, code in zip(commands, codes, strict=True)]
    for old, new in ((old, rest) for word, old, rest in said if word.startswith("instead")):
        assert any(old in one.command for one in commands), f"{page}:{line} has no `{old}`"
        commands = [Typed(one.command.replace(old, new), one.exit_code) for one in commands]
    return Block(page, line, (*before, *commands), told.get("not run", ""), told.get("nightly", ""))


def _commands(body: str) -> Iterator[Typed]:
    """The commands of a block: neither explanations nor comments; a backslash joins lines."""
    for line in body.replace("\\\n", " ").splitlines():
        if line[:1] in {" ", "#", ""}:
            continue
        found = _ENDS.fullmatch(line)
        words, code = (found[1], int(found[2])) if found else (line, 0)
        yield Typed(re.split(r"\s{2,}", words.removeprefix("$ "))[0], code)


def sandbox(folder: Path) -> None:
    """A folder like a fresh clone: the demos, each to be flown once, with their scripts and baselines."""
    shutil.copytree(ROOT / "scenarios", folder / "scenarios", ignore=shutil.ignore_patterns("__pycache__"))
    for file in (folder / "scenarios").rglob("*.scenario.yaml"):
        text = file.read_text(encoding="utf-8")
        file.write_text(re.sub(r"(?m)^repeat: .*$", "repeat: {flights: 1}", text), encoding="utf-8")


def type_in(folder: Path, typed: Typed) -> tuple[int, str]:
    """The exit code and the output of a command typed in `folder`. What serves is ended by Ctrl-C once it serves."""
    environment = {
        **os.environ,
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "NO_COLOR": "1",
    }
    environment |= {
        f"GIT_{who}_{what}": "reader@example.org"
        for who in ("AUTHOR", "COMMITTER")
        for what in ("NAME", "EMAIL")
    }
    serves = typed.command.startswith("asflown vehicle serve ")
    line = f"exec {typed.command}" if serves else typed.command
    with subprocess.Popen(
        ["bash", "-c", line],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        assert process.stdout is not None
        said = ""
        if serves:
            said = process.stdout.readline()
            process.send_signal(signal.SIGINT)
        said += process.stdout.read()
        code = process.wait()
    return (0 if serves and code == 128 + signal.SIGINT else code), said
