"""ASFLOWN_REQUIRE_ALL=1: in CI a test that skips is a failure."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

CONFTEST = Path(__file__).parents[1] / "conftest.py"
SUITES = {
    "skip": "import pytest\ndef test_it(): pytest.skip('no engine')\n",
    "mark": "import pytest\n@pytest.mark.skip(reason='no engine')\ndef test_it(): pass\n",
    "module": "import pytest\npytest.skip('no engine', allow_module_level=True)\n",
    "expected failure": "import pytest\n@pytest.mark.xfail(strict=True)\ndef test_it(): assert False\n",
    "pass": "def test_it(): pass\n",
}


@pytest.mark.parametrize(
    ("suite", "required", "exit_code"),
    [
        ("skip", "", 0),
        ("skip", "1", 1),
        ("mark", "1", 1),
        ("module", "1", 2),
        ("expected failure", "1", 0),
        ("pass", "1", 0),
    ],
)
def test_a_skip_fails_where_everything_is_required(
    tmp_path: Path, suite: str, required: str, exit_code: int
) -> None:
    """A skipped test, or module, fails the run; a pass and an expected failure do not."""
    (tmp_path / "conftest.py").write_text(CONFTEST.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "test_it.py").write_text(SUITES[suite], encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_it.py"]
    environment = os.environ | {"ASFLOWN_REQUIRE_ALL": required}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == exit_code, done.stdout
