"""`asflown completion`: what a shell needs to complete the command, made from the parser itself."""

from __future__ import annotations

import argparse
from pathlib import Path

from asflown.cli.parsing import SubParsers, arguments_of, command, parts

DESCRIPTION = """\
Prints a script that completes commands, options, choices and file names in your shell.
"""

EXAMPLES = """\
examples:
  asflown completion bash > ~/.local/share/bash-completion/completions/asflown
  asflown completion zsh > ~/.zfunc/_asflown      with ~/.zfunc in fpath, before compinit
"""


def add_parser(commands: SubParsers) -> None:
    """Adds `completion` to the command."""
    parser = command(commands, "completion", "print the completion script for a shell", DESCRIPTION, EXAMPLES)
    parser.add_argument("shell", choices=("bash", "zsh", "tcsh"), help="which shell it is for")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Prints the script; `whole` is the parser of the whole command."""
    import shtab

    whole: argparse.ArgumentParser = options.whole
    for action in (action for part in parts(whole) for action in arguments_of(part)):
        if action.type is Path:
            completed = shtab.DIRECTORY if action.metavar == "DIR" else shtab.FILE
            action.complete = completed  # type: ignore[attr-defined]  # where shtab looks for it
    print(shtab.complete(whole, shell=options.shell))
    return 0
