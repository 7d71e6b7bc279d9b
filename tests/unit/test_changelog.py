"""ci/changelog.py: fragments become a changelog, and a source change without one is named."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = Path(__file__).parents[2] / "ci" / "changelog.py"
IDENTITY = {
    "GIT_AUTHOR_NAME": "a",
    "GIT_AUTHOR_EMAIL": "a@b",
    "GIT_COMMITTER_NAME": "a",
    "GIT_COMMITTER_EMAIL": "a@b",
}


class Repository:
    """A small repository with the program in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "ci").mkdir()
        shutil.copy(PROGRAM, folder / "ci")
        self.put(".changes/3.added.md", "It flies.\n")
        self.put("harness/asflown/a.py", "")
        self.changelog("write")

    def put(self, name: str, text: str) -> None:
        """Writes a file."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")

    def git(self, *arguments: str) -> None:
        """Runs git."""
        environment = os.environ | IDENTITY | {"GIT_CONFIG_GLOBAL": os.devnull}
        command = ["git", "-C", str(self.folder), *arguments]
        subprocess.run(command, check=True, env=environment, capture_output=True)

    def commit(self) -> None:
        """Commits everything."""
        self.git("add", "--all")
        self.git("commit", "--quiet", "--message", "a change")

    def changelog(self, *arguments: str, base: str = "") -> tuple[int, str]:
        """Exit code and what was printed."""
        command = [sys.executable, str(self.folder / "ci" / "changelog.py"), *arguments]
        environment = {**os.environ, "ASFLOWN_BASE": base}
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
        return done.returncode, done.stdout + done.stderr

    def text(self) -> str:
        """The changelog."""
        return (self.folder / "harness/docs/changelog.md").read_text(encoding="utf-8")


@pytest.fixture
def repository(tmp_path: Path) -> Repository:
    """A repository with one fragment, one source file, an up-to-date changelog, and one commit."""
    made = Repository(tmp_path)
    made.git("init", "--quiet", "--initial-branch", "main")
    made.commit()
    return made


def test_fragments_are_grouped_by_kind_and_sorted_by_issue(repository: Repository) -> None:
    """The changelog reads by kind, then by issue, each sentence with its number."""
    repository.put(".changes/12.fixed.md", "It lands\nsoftly.\n")
    repository.put(".changes/7.added.2.md", "It climbs.\n")
    repository.put(".changes/7.added.md", "It hovers.\n")
    repository.changelog("write")
    assert repository.text() == (
        "# Changelog\n\n## Unreleased\n\n### Added\n\n- It flies. (issue 3)\n- It hovers. (issue 7)\n"
        "- It climbs. (issue 7)\n\n### Fixed\n\n- It lands softly. (issue 12)\n"
    )


def test_a_changelog_that_lags_behind_is_refused(repository: Repository) -> None:
    """A new fragment without a new changelog fails, and says what to run."""
    repository.put(".changes/4.fixed.md", "It lands.\n")
    code, said = repository.changelog("check")
    assert (code, "run `python ci/changelog.py write`" in said) == (1, True)


@pytest.mark.parametrize(
    ("name", "text", "remedy"),
    [
        ("4.improved.md", "It flies.", "name it <issue>.<kind>.md"),
        ("added.md", "It flies.", "name it <issue>.<kind>.md"),
        ("4.added.md", "", "write a whole sentence"),
        ("4.added.md", "flies better", "write a whole sentence"),
    ],
    ids=["kind", "no issue", "empty", "no sentence"],
)
def test_a_wrong_fragment_is_refused(repository: Repository, name: str, text: str, remedy: str) -> None:
    """A fragment's name and text have a form."""
    repository.put(f".changes/{name}", text)
    code, said = repository.changelog("check")
    assert (code, remedy in said) == (1, True)


def test_a_source_change_without_a_fragment_is_named(repository: Repository) -> None:
    """Whoever changes the source and tells users nothing hears of it before it lands."""
    repository.put("harness/asflown/a.py", "a = 1\n")
    repository.put("harness/asflown/b.py", "")
    code, said = repository.changelog("check", base="HEAD")
    assert (code, said.startswith("harness/asflown/a.py and 1 more changed: say what a user sees")) == (
        1,
        True,
    )


def test_a_committed_change_is_held_against_its_base(repository: Repository) -> None:
    """Committing does not hide a change from the check, as long as its base is known."""
    repository.put("harness/asflown/a.py", "a = 1\n")
    repository.commit()
    assert repository.changelog("check", base="HEAD~1")[0] == 1
    repository.put(".changes/4.changed.md", "It is faster.\n")
    repository.changelog("write")
    assert repository.changelog("check", base="HEAD~1") == (0, "changelog: up to date\n")


def test_a_change_that_users_do_not_see_needs_no_fragment(repository: Repository) -> None:
    """Tests and documents may change alone."""
    repository.put("tests/test_a.py", "a = 1\n")
    assert repository.changelog("check", base="HEAD") == (0, "changelog: up to date\n")


def test_a_clone_without_history_is_checked_as_far_as_it_goes(repository: Repository, tmp_path: Path) -> None:
    """A shallow clone has no base: the changelog itself is checked all the same."""
    repository.put("harness/asflown/a.py", "a = 1\n")
    repository.commit()
    shallow = tmp_path / "shallow"
    repository.git("clone", "--quiet", "--depth", "1", f"file://{repository.folder}", str(shallow))
    command = [sys.executable, str(shallow / "ci" / "changelog.py"), "check"]
    assert subprocess.run(command, check=False, capture_output=True).returncode == 0


def test_without_a_base_only_the_changelog_is_checked(repository: Repository) -> None:
    """Where nobody knows what the work began from, the fragment may long be there: nothing is claimed."""
    repository.put("harness/asflown/a.py", "a = 1\n")
    code, said = repository.changelog("check")
    assert (code, "cannot be told here" in said) == (0, True)


def test_a_folder_without_git_is_checked_as_far_as_it_goes(tmp_path: Path) -> None:
    """An unpacked archive has no git: what can be checked is checked, and the rest is said."""
    code, said = Repository(tmp_path).changelog("check")
    assert (code, "cannot be told here" in said) == (0, True)


def test_a_release_keeps_what_was_released_before(repository: Repository) -> None:
    """Releasing turns the unreleased section into a dated one and removes its fragments."""
    repository.changelog("release", "0.1.0", "2026-03-01")
    repository.put(".changes/4.fixed.md", "It lands.\n")
    repository.changelog("write")
    assert repository.text() == (
        "# Changelog\n\n## Unreleased\n\n### Fixed\n\n- It lands. (issue 4)\n\n"
        "## 0.1.0 (2026-03-01)\n\n### Added\n\n- It flies. (issue 3)\n"
    )
    assert repository.changelog("check")[0] == 0
    assert [path.name for path in (repository.folder / ".changes").iterdir()] == ["4.fixed.md"]
