"""`asflown new`: a scenario file that can be read and flown, asked for or by flags."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from asflown.cli import check, new
from asflown.cli.console import TerminalConsole
from asflown.cli.drafting import allowed_beside_m
from asflown.errors import UsageError
from asflown.record.drawn_path import DrawnLeg
from asflown.scenario.file import load_scenario

SCRIPT = "import argparse\np = argparse.ArgumentParser()\np.add_argument('--link')\n"


def run(*arguments: object) -> int:
    parser = argparse.ArgumentParser()
    new.add_parser(parser.add_subparsers())
    options = parser.parse_args(["new", *map(str, arguments)])
    return int(options.run(options))


@pytest.fixture
def script(tmp_path: Path) -> Path:
    """A script of a user's."""
    file = tmp_path / "river walk.py"
    file.write_text(SCRIPT)
    return file


def test_the_file_can_be_read(script: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It lies beside the script, names it, says how it takes its link, and the next commands are printed."""
    assert run("river-walk", "--script", script) == 0
    file = script.parent / "river-walk.scenario.yaml"
    scenario = load_scenario(file).scenario
    assert scenario.script.run == ("python", "river walk.py", "--link", "{link}")
    assert scenario.vehicle == "palm80"
    said = capsys.readouterr().out
    assert said.splitlines()[:2] == [f"{file} is written.", "Its link: the script takes --link."]
    assert f"  asflown fly {file}" in said


def test_check_accepts_it(script: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`asflown check` finds nothing, for a fixed port as well."""
    run("one", "--script", script)
    script.write_text("open_link('udpin:127.0.0.1:14551')")
    run("two", "--script", script, "--vehicle", "field1400")
    capsys.readouterr()
    parser = argparse.ArgumentParser()
    check.add_parser(parser.add_subparsers())
    assert check.run(parser.parse_args(["check", str(script.parent)])) == 0
    assert load_scenario(script.parent / "two.scenario.yaml").scenario.script.listens is not None


def test_into_another_folder(script: Path, tmp_path: Path) -> None:
    """Paths in the file are relative to where it goes."""
    (tmp_path / "expectations").mkdir()
    run("river-walk", "--script", script, "--into", tmp_path / "expectations")
    file = tmp_path / "expectations" / "river-walk.scenario.yaml"
    assert load_scenario(file).scenario.script.run[1] == "../river walk.py"


def test_nothing_is_replaced(script: Path) -> None:
    """A file that stands already stays as it is."""
    run("river-walk", "--script", script)
    with pytest.raises(UsageError, match="stands already"):
        run("river-walk", "--script", script)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "NAME is not given"),
        (["river-walk"], "--script FILE is not given"),
        (["River Walk"], "such as `river-walk`"),
        (["river-walk", "--script", "nowhere.py"], "there is no script nowhere.py"),
        (["river-walk", "--from-flight", "nowhere"], "no script is named"),
        (["river-walk", "--script", __file__, "--vehicle", "palm08"], "palm80"),
    ],
    ids=["no name", "no script", "bad name", "no such script", "no such flight", "no such vehicle"],
)
def test_without_a_terminal_errors_name_the_flag(arguments: list[str], words: str) -> None:
    """Nobody is asked; the message says what to add or to write."""
    with pytest.raises(UsageError) as caught:
        run(*arguments)
    assert words in str(caught.value)


def test_on_a_terminal_it_asks(script: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What no flag says is asked for in turn; an empty answer takes what stands in brackets."""
    answers = iter(["river-walk\n", f"{script}\n", "\n"])
    monkeypatch.setattr(TerminalConsole, "is_terminal", property(lambda _: True))
    monkeypatch.setattr(TerminalConsole, "ask", lambda _, __: next(answers))
    assert run() == 0
    assert load_scenario(script.parent / "river-walk.scenario.yaml").scenario.vehicle == "palm80"


def test_words_of_a_script_stay_comments(script: Path) -> None:
    """A default with line ends and control characters adds no key to the file and cannot spoil it."""
    spoilt = "\\x1b[2J\\nguard: {height: 900 m}\\n# " + "x" * 500
    script.write_text(f"parser.add_argument('--link', default='{spoilt}')")
    assert run("river-walk", "--script", script) == 0
    file = script.parent / "river-walk.scenario.yaml"
    guard = load_scenario(file).scenario.guard.height_m
    assert guard is not None
    assert guard < 20
    assert "\x1b" not in file.read_text()
    assert max(map(len, file.read_text().splitlines())) < 150


def test_a_script_that_is_no_python_is_told_by_place(
    script: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By both commands: `new` writes its file all the same, and `check` refuses it."""
    script.write_text(SCRIPT + "print(('down')\n")
    said = f"{script}:4:6: this is no Python that could run: '(' was never closed. Correct it: as it is"
    assert run("river-walk", "--script", script) == 0
    assert capsys.readouterr().out.splitlines()[1].startswith(said)
    parser = argparse.ArgumentParser()
    check.add_parser(parser.add_subparsers())
    options = parser.parse_args(["check", str(script.parent)])
    assert options.run(options) == 2
    assert capsys.readouterr().out.startswith(said)


@pytest.mark.parametrize(("to_m", "beside"), [(3.0, "1 m"), (6.0, "1.2 m"), (40.0, "2 m")])
def test_a_drawn_path_allows_less_where_it_is_short(to_m: float, beside: str) -> None:
    """Who turns back a third too early on the shortest line must not pass."""
    legs = (DrawnLeg("climb", (0, 0, 3)), DrawnLeg("line", (to_m, 0, 3)), DrawnLeg("return"))
    assert f"{allowed_beside_m(legs):g} m" == beside
