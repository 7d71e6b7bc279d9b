"""The Markdown summary: the worst first, plain text stays plain text, and it has an end."""

from __future__ import annotations

from pathlib import Path

from asflown.report.markdown import SIZE_MAX, markdown, write_markdown
from tests.unit.report.builders import flown, grade, outcome

HOSTILE = "<img src=x onerror=alert(1)> | **bold** [link](http://elsewhere.invalid) `code` \x1b[31m\n# Title"


def test_the_worst_stands_first_and_says_how_to_fly_it_again() -> None:
    """A table of all, then each flight that did not pass in plain words."""
    failing = flown(grade(verdict="fail", reason="leg 2 was not flown"))
    text = markdown([outcome(flown(), name="quiet"), outcome(failing, name="loud", verdict="fail")])
    assert text.index("loud") < text.index("quiet")
    assert "leg 2 was not flown" in text
    assert "    asflown fly" in text


def test_words_from_elsewhere_stay_text() -> None:
    """No tag, no link, no heading, no cell of their own, no control character."""
    failing = flown(grade(verdict="fail", reason=HOSTILE), scenario=HOSTILE)
    text = markdown([outcome(failing, name=HOSTILE, vehicle=HOSTILE, verdict="fail")])
    assert "<img" not in text
    assert "](http" not in text
    assert "\x1b" not in text
    assert not any(line.startswith("# ") for line in text.splitlines())
    (row,) = [line for line in text.splitlines() if line.startswith("| ✗")]
    assert row.count("|") == 6


def test_a_long_story_is_cut_and_says_so(tmp_path: Path) -> None:
    """Thousands of failing flights and megabytes of words fit on a job page."""
    failing = [flown(grade(verdict="fail", reason="x" * 1_000_000)) for _ in range(60)]
    path = tmp_path / "deep" / "summary.md"
    write_markdown(path, [outcome(*failing, verdict="fail")])
    text = path.read_text(encoding="utf-8")
    assert len(text) <= SIZE_MAX + 100
    assert "10 more flights did not pass" in text
