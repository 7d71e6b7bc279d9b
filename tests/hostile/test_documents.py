"""Spoilt documents through every reader: an error that says what is wrong and what to do, or success, and nothing else."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.hostile.documents import BOMBS
from tests.hostile.readers import READERS, ROOT, judge

CORPUS = ROOT / "tests" / "corpus"
YAML_READERS = ("scenario", "vehicle", "campaign", "baseline", "profile")
MEMORY_MAX, CPU_SECONDS_MAX = 2 << 30, 90


@pytest.mark.parametrize("name", READERS)
@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck), database=None)
@given(chance=st.randoms(use_true_random=False))
def test_a_spoilt_document_is_read_or_refused_in_words(
    name: str, chance: Random, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whatever was changed in a sound document, nothing but an error of our own comes of it."""
    reader = READERS[name]
    folder = tmp_path_factory.mktemp("spoilt")
    reader.beside(folder)
    path = folder / reader.file
    path.write_bytes(reader.make(chance))
    path.chmod(0o600)
    judge(reader, path)


@pytest.mark.parametrize(
    "kept", sorted(CORPUS.glob("*/*")), ids=lambda path: f"{path.parent.name}-{path.name}"
)
def test_what_once_broke_a_reader_is_refused_in_words(kept: Path, tmp_path: Path) -> None:
    """Each document that ever found something, found again."""
    reader = READERS[kept.parent.name]
    reader.beside(tmp_path)
    path = tmp_path / reader.file
    path.write_bytes(kept.read_bytes())
    path.chmod(0o600)
    judge(reader, path)


@pytest.mark.slow
def test_small_files_that_would_like_to_be_large_are_refused(tmp_path: Path) -> None:
    """Every bomb through every reader of YAML, in a process with bounded memory and processor time: each is refused."""
    for number, data in enumerate(BOMBS.values()):
        (tmp_path / f"{number}.yaml").write_bytes(data)
    program = (
        "import sys; from pathlib import Path; from tests.hostile.readers import READERS, judge\n"
        f"for name in {YAML_READERS!r}:\n"
        "    for file in sorted(Path(sys.argv[1]).glob('*.yaml')):\n"
        "        told = judge(READERS[name], file)\n"
        "        assert told in ('FileProblem', 'FileProblems', 'UsageError'), (name, file, told)\n"
        "print('refused')\n"
    )

    def bounded() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MAX, MEMORY_MAX))
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS_MAX, CPU_SECONDS_MAX))

    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)],
        cwd=ROOT, capture_output=True, text=True, check=False, preexec_fn=bounded,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "refused\n"), done.stderr[-3000:]
