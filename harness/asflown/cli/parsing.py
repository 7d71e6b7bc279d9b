"""Names for argparse's own types, so that each command's parser can be annotated."""

from __future__ import annotations

import argparse
from typing import TypeAlias

SubParsers: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"  # noqa: SLF001  it has no public name
"""What `ArgumentParser.add_subparsers` returns."""
