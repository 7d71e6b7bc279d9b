"""Scenario files: reading them, extending them, finding them, and every mistake with its place."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asflown.errors import ExitCode, FileProblem, FileProblems, UsageError
from asflown.scenario.file import find_scenarios, load_scenario
from tests.unit.scenario.files import SCENARIO, spoilt, write_scenario


def test_values_are_si_and_know_their_place(tmp_path: Path) -> None:
    """A sound file is read into SI; positions count from 1; the folder is absolute."""
    file = write_scenario(tmp_path)
    loaded = load_scenario(file)
    scenario = loaded.scenario
    assert (scenario.script.time_limit_s, scenario.start.battery, scenario.guard.battery) == (90.0, 1.0, 0.15)
    assert scenario.start.heading_rad == pytest.approx(0.523_598_8)
    assert scenario.start.home.latitude_deg == 52.0
    assert scenario.expect.measures["duration"].between == (30.0, 90.0)
    assert str(loaded.position("expect", "measures", "duration")) == f"{file}:31:15"
    assert (loaded.folder, loaded.chain) == (tmp_path.resolve(), (file,))


WRONG = {
    "no unit": ("height: 8 m", "height: 8", "38:17: `height: 8` has no unit. Write `8 m`"),
    "no unit in a limit": ("0.8 m", "0.8", "29:32: `at_most: 0.8` has no unit. Write `0.8 m`"),
    "wrong dimension of a limit": (
        "2.5 s",
        "2.5 m",
        (
            "30:32: `at_least: 2.5 m` is a length, and a duration is needed. "
            "Write it in s or min or h or ms or us, such as `40 s`"
        ),
    ),
    "misspelt key": ("time_limit", "tmie_limit", "8:3: unknown key `tmie_limit`. Did you mean `time_limit`?"),
    "unknown key": (
        "compute: 0 ms",
        "zebra: 0 ms",
        (
            "9:3: unknown key `zebra`. Known here are run, link, listens, dials, beside, time_limit, compute, "
            "exit_code"
        ),
    ),
    "name of a field as key": (
        "time_limit: 90 s",
        "time_limit_s: 90 s",
        "8:3: unknown key `time_limit_s`. Did you mean `time_limit`?",
    ),
    "missing script": ("pond.py", "pnd.py", "6:17: there is no file `pnd.py`. Did you mean `pond.py`?"),
    "missing script, nothing like it": (
        "pond.py",
        "lake/fly.py",
        "6:17: there is no file `lake/fly.py`. Paths are relative to the folder of the scenario file",
    ),
    "placeholder without quotes": (
        '"{link}"',
        "{link}",
        '6:34: `{link}` is read as a mapping. Put it in quotes: `"{link}"`',
    ),
    "misspelt placeholder": ("{link}", "{lnk}", "6:34: `{lnk}` is not filled in. Did you mean `{link}`?"),
    "no placeholder": (
        ', --link, "{link}"',
        "",
        (
            '6:8: nothing tells the script where its vehicle is. Add "{link}" to `run`, '
            "or name the script's own port with `listens` or `dials`"
        ),
    ),
    "number among the words of a command": (
        "--link",
        "5",
        '6:26: `run: 5` must be text. Put it in quotes: `"5"`',
    ),
    "command in one word": (
        '[python, pond.py, --link, "{link}"]',
        "python pond.py",
        "6:8: `run: python pond.py` must be a list. Write `run: [...]` with commas between its entries",
    ),
    "empty command": (
        '[python, pond.py, --link, "{link}"]',
        "[]",
        "6:8: `run: []` has too few entries. Give at least 1",
    ),
    "misspelt word": (
        "clock: any",
        "clock: lockstp",
        "37:8: `clock: lockstp` is not allowed. Did you mean `lockstep`?",
    ),
    "unknown word": (
        "clock: any",
        "clock: slow",
        "37:8: `clock: slow` is not allowed. Write any, lockstep or paced",
    ),
    "wrong schema version": ("asflown: 1", "asflown: 2", "1:10: `asflown: 2` is not allowed. Write 1"),
    "name with spaces": (
        "pond-round",
        "Pond Round",
        "2:7: `name: Pond Round` is not allowed. Write small letters, digits and hyphens, such as `nest-boxes`",
    ),
    "name too long": (
        "pond-round",
        "p" * 61,
        f"2:7: `name: {'p' * 57}...` is too long. At most 60 characters",
    ),
    "text for a whole number": (
        "flights: 2",
        'flights: "2"',
        "36:19: `flights: 2` must be a whole number. Write it in digits, without quotes and unit",
    ),
    "truth for a whole number": (
        "flights: 2",
        "flights: true",
        "36:19: `flights: true` must be a whole number. Write it in digits, without quotes and unit",
    ),
    "text for a number": (
        "judge: every-flight",
        "judge: {share: most, confidence: 0.9}",
        "35:16: `share: most` must be a number. Write it in digits, without quotes and unit, such as `0.9`",
    ),
    "share too large": (
        "judge: every-flight",
        "judge: {share: 1.2, confidence: 0.9}",
        "35:16: `share: 1.2` is out of range. It must be less than 1",
    ),
    "key missing in a mapping": (
        "judge: every-flight",
        "judge: {share: 0.9}",
        "35:8: the key `confidence` is missing in `judge`. Add `confidence: ...`",
    ),
    "key missing at the top": ("name: pond-round\n", "", "1:1: the key `name` is missing. Add `name: ...`"),
    "too much battery": (
        "100 %",
        "150 %",
        "13:12: `battery: 150 %` is out of range. It must be at most 100 %",
    ),
    "beyond the pole": (
        "52.0 deg",
        "95 deg",
        "11:20: `latitude: 95 deg` is out of range. It must be at most 90 deg",
    ),
    "time that runs backwards": (
        "90 s\n  c",
        "-2 min\n  c",
        "8:15: `time_limit: -2 min` is out of range. It must be more than 0 min",
    ),
    "empty value": (
        "guard: {",
        "guard: #{",
        "38:1: `guard:` is empty. Give it a value, or leave the key out",
    ),
    "word for a mapping": (
        "wind: {speed: 2 m/s, from: 240 deg, turbulence: light}",
        "wind: light",
        "15:9: `wind: light` must be a mapping. Write `key: value` lines of speed, from, turbulence, gusts",
    ),
    "point in a plane": (
        "[8 m, 0 m, 3 m]",
        "[8 m, 0 m]",
        "24:20: `to: [8 m, 0 m]` has too few entries. Give 3",
    ),
    "point in too many dimensions": (
        "[8 m, 0 m, 3 m]",
        "[8 m, 0 m, 3 m, 1 m]",
        "24:20: `to: [8 m, 0 m, 3 m, 1 m]` has too many entries. Give 3",
    ),
    "coordinate without unit": ("8 m, 0 m", "8, 0 m", "24:21: `to: 8` has no unit. Write `8 m`"),
    "geodetic point left unfinished": (
        "[8 m, 0 m, 3 m]",
        "{latitude: 52 deg, longitude: 4.5 deg}",
        "24:20: the key `up` is missing in `expect.path.legs.line.to`. Add `up: ...`",
    ),
    "leg of no kind": (
        "- climb: {to: 3 m}",
        "- clmb: {to: 3 m}",
        "23:9: unknown key `clmb`. Did you mean `climb`?",
    ),
    "leg of two kinds": (
        "- land: {}",
        "- land: {}\n        hold: {for: 1 s}",
        "27:9: leg 5 has hold and land. Give each leg exactly one of climb, line, arc, hold, return, land",
    ),
    "places in the other frame": (
        "start-heading",
        "geodetic",
        (
            "24:9: leg 2 is written in metres, and the frame is `geodetic`. "
            "Write it in degrees, such as `{latitude: 52.0 deg, longitude: 4.5 deg, up: 3 m}`"
        ),
    ),
    "above the guard": (
        "0 m, 3 m]",
        "0 m, 9 m]",
        "24:9: leg 2 (line to 8, 0, 9 m) is above the guard's height of 8 m. Raise `guard.height`, or fly lower",
    ),
    "beyond the guard": (
        "[8 m,",
        "[80 m,",
        (
            "24:9: leg 2 (line to 80, 0, 3 m) is beyond the guard's distance of 40 m. "
            "Raise `guard.distance`, or stay nearer"
        ),
    ),
    "unknown measure": (
        "cross_track_p95",
        "crosstrack_p95",
        "29:5: there is no measure `crosstrack_p95`. Did you mean `cross_track_p95`?",
    ),
    "two bounds": (
        "{at_most: 0.8 m}",
        "{at_most: 0.8 m, at_least: 0.1 m}",
        "29:22: this limit has at_most and at_least. Give exactly one of at_most, at_least and between",
    ),
    "no bound": (
        "{at_most: 0.8 m}",
        "{}",
        "29:22: this limit has no bound. Give exactly one of at_most, at_least and between",
    ),
    "limit of no size": (
        "0.8 m",
        "0 m",
        (
            "29:22: `at_most` is 0, which gives no size to measure a margin by. "
            "Add `scale: ...`, what counts as 1"
        ),
    ),
    "scale of no size": (
        "0.8 m",
        "0 m, scale: 0 m",
        "29:44: `scale: 0 m` is out of range. It must be more than 0 m",
    ),
    "ends the wrong way round": (
        "[30 s, 90 s]",
        "[90 s, 30 s]",
        "31:15: the first end of `between` is not below the second. Write [lowest, highest]",
    ),
    "one end": ("[30 s, 90 s]", "[30 s]", "31:25: `between: [30 s]` has too few entries. Give 2"),
    "measure of a leg that is not there": (
        "      - hold: {for: 3 s}\n",
        "",
        "29:21: `dwell_at_holds` needs a leg with `hold` in the expected path. Add it to `path`",
    ),
    "own measure with a misspelt signal": (
        "dwell_at_holds: {at_least: 2.5 s}",
        'fastest: {formula: "max(sped)", at_most: 3 m/s}',
        "30:29: there is no signal `sped`. Did you mean `speed`?",
    ),
    "own measure with a limit of another kind": (
        "dwell_at_holds: {at_least: 2.5 s}",
        'fastest: {formula: "max(speed)", at_most: 3 m}',
        "30:47: `at_most: 3 m` is a length, and a speed is needed. Write it in m/s or km/h or cm/s, such as `2 m/s`",
    ),
    "own measure over a leg that is not there": (
        "dwell_at_holds: {at_least: 2.5 s}",
        'fastest: {formula: "max(speed) at leg 9", at_most: 3 m/s}',
        "30:24: the expected path has no leg 9. It has 5 legs",
    ),
    "own measure by a name that is taken": (
        "dwell_at_holds: {at_least: 2.5 s}",
        'dwell_at_holds: {formula: "max(speed)", at_most: 3 m/s}',
        "30:22: `dwell_at_holds` is a measure already. Give yours another name, or leave `formula` out",
    ),
    "own measure with a name that is none": (
        "dwell_at_holds: {at_least: 2.5 s}",
        'Top-Speed: {formula: "max(speed)", at_most: 3 m/s}',
        "30:5: a measure cannot be called `Top-Speed`. Use small letters, digits and `_`, and begin with a letter",
    ),
    "own measure whose formula is none": (
        "dwell_at_holds: {at_least: 2.5 s}",
        "fastest: {formula: 3, at_most: 3 m/s}",
        "30:24: `formula: 3` is no formula. Write, say, `max(climb_rate)`",
    ),
    "rule that cannot be understood": (
        "height < 4.5 m",
        "height < 4.5",
        "33:41: `4.5` has no unit. Write `4.5 m`",
    ),
    "rule with a misspelt signal": (
        "(height > 2.8 m)",
        "(hieght > 2.8 m)",
        "34:64: there is no signal `hieght`. Did you mean `height`?",
    ),
    "rule of a leg that is looked at only once": (
        "eventually[0 s, 12 s] (height > 2.8 m)",
        "at leg 2, always height > 2 m",
        (
            "34:40: `leg 2` outside `always` is looked at only at arming, when it says nothing. "
            "Write `always (...)` around the rule, or use the key `always`"
        ),
    ),
    "rule with two texts": (
        'always: "height < 4.5 m"',
        'always: "on_ground", formula: "on_ground"',
        "33:7: rule `ceiling` needs one text. Give exactly one of `always` and `formula`",
    ),
    "two rules of one name": (
        "climbs promptly",
        "ceiling",
        "34:14: two rules are called `ceiling`. Rename one",
    ),
    "unknown vehicle": ("palm80", "palm81", "4:10: there is no vehicle `palm81`. Did you mean `palm80`?"),
    "seeds that do not fit": (
        "flights: 2",
        "flights: 3",
        "36:29: 3 flights have 2 seeds. Give each flight a seed, or leave one of the two out",
    ),
    "seed twice": (
        "[7, 8]",
        "[7, 7]",
        "36:33: seed 7 is given twice. Equal seeds fly the same flight: change one",
    ),
    "two ways to the vehicle": (
        "  time_limit",
        "  listens: udp-listen://127.0.0.1:14560\n  time_limit",
        "8:12: `link` and `listens` exclude each other. Keep one",
    ),
    "script's port of the wrong kind": (
        "link: {style: pymavlink, side: listens}",
        "listens: udp://127.0.0.1:14560",
        ("7:12: `listens: udp://127.0.0.1:14560` is of the wrong kind. Use udp-listen:// or tcp-listen://"),
    ),
    "extends nothing": (
        "asflown: 1",
        "asflown: 1\nextends: pnd.yaml",
        "2:10: there is no file `pnd.yaml` to extend. The path is relative to the file it stands in",
    ),
    "extends a list": (
        "asflown: 1",
        "asflown: 1\nextends: [a, b]",
        "2:10: `extends` must name one file. Write it like `extends: base.scenario.yaml`",
    ),
}


@pytest.mark.parametrize(("old", "new", "message"), WRONG.values(), ids=WRONG.keys())
def test_a_mistake_is_told_with_its_place(tmp_path: Path, old: str, new: str, message: str) -> None:
    """The whole message of one mistake; the exit code is that of a wrong file."""
    file = write_scenario(tmp_path, spoilt(SCENARIO, old, new))
    with pytest.raises(FileProblem) as refused:
        load_scenario(file)
    assert str(refused.value) == f"{file}:{message}"
    assert refused.value.exit_code is ExitCode.USAGE


def test_all_mistakes_of_a_file_are_told_at_once(tmp_path: Path) -> None:
    """Several mistakes come in the order of the file, each with its own place, and survive a process border."""
    text = spoilt(spoilt(SCENARIO, "height: 8 m", "height: 8"), "time_limit", "tmie_limit")
    file = write_scenario(tmp_path, spoilt(text, "0.8 m", "0.8"))
    with pytest.raises(FileProblems) as refused:
        load_scenario(file)
    assert str(refused.value) == (
        f"{file}:8:3: unknown key `tmie_limit`. Did you mean `time_limit`?\n"
        f"{file}:29:32: `at_most: 0.8` has no unit. Write `0.8 m`\n"
        f"{file}:38:17: `height: 8` has no unit. Write `8 m`"
    )
    assert str(pickle.loads(pickle.dumps(refused.value))) == str(refused.value)


def test_no_more_than_ten_mistakes_are_shown(tmp_path: Path) -> None:
    """Of a hopeless file the first ten are shown and the others counted."""
    file = write_scenario(tmp_path, SCENARIO + "".join(f"key{number}: 1\n" for number in range(14)))
    with pytest.raises(FileProblems) as refused:
        load_scenario(file)
    assert len(str(refused.value).splitlines()) == 11
    assert str(refused.value).endswith("\n... and 4 more")
    assert len(refused.value.problems) == 14


def test_a_missing_file_names_the_nearest(tmp_path: Path) -> None:
    """There is no position in a file that is not there."""
    file = write_scenario(tmp_path)
    with pytest.raises(UsageError) as refused:
        load_scenario(tmp_path / "pnd.scenario.yaml")
    expected = f"there is no file or folder {tmp_path}/pnd.scenario.yaml. Did you mean {file}?"
    assert str(refused.value) == expected


def test_seeds_alone_say_how_many_flights(tmp_path: Path) -> None:
    """Three seeds are three flights."""
    file = write_scenario(tmp_path, spoilt(SCENARIO, "flights: 2, seeds: [7, 8]", "seeds: [7, 8, 9]"))
    assert load_scenario(file).scenario.repeat.flights == 3


def test_a_file_may_extend_another(tmp_path: Path) -> None:
    """Mappings merge key by key, lists are replaced, and mistakes are told where they are written."""
    (tmp_path / "lower").mkdir()
    base = write_scenario(tmp_path)
    (tmp_path / "lower" / "pond.py").touch()
    gusty = tmp_path / "lower" / "gusty.scenario.yaml"
    gusty.write_text(
        "extends: ../pond.scenario.yaml\nname: pond-gusty\nconditions: {wind: {speed: 5 m/s}, faults: []}\n"
    )
    loaded = load_scenario(gusty)
    wind = loaded.scenario.conditions.wind
    assert (loaded.scenario.name, wind.speed_m_s, wind.turbulence) == ("pond-gusty", 5.0, "light")
    assert (loaded.scenario.conditions.faults, loaded.chain[0]) == ((), gusty)
    assert loaded.chain[1].resolve() == base.resolve()
    assert loaded.position("conditions", "wind", "speed").line == 3
    assert loaded.position("conditions", "wind", "from").file.name == base.name


def test_files_that_extend_each_other_are_refused(tmp_path: Path) -> None:
    """A circle is told with the files in it."""
    one, two = tmp_path / "one.scenario.yaml", tmp_path / "two.scenario.yaml"
    one.write_text("extends: two.scenario.yaml\n")
    two.write_text("name: x\nextends: one.scenario.yaml\n")
    with pytest.raises(FileProblem) as refused:
        load_scenario(one)
    assert str(refused.value) == (
        f"{two}:2:10: this goes round in a circle: {one} extends {two} extends {one}. Take one `extends` out"
    )


def test_a_long_chain_of_files_is_refused(tmp_path: Path) -> None:
    """Eleven files on top of each other are more than anybody can follow."""
    for number in range(12):
        (tmp_path / f"{number}.scenario.yaml").write_text(f"extends: {number + 1}.scenario.yaml\n")
    with pytest.raises(FileProblem) as refused:
        load_scenario(tmp_path / "0.scenario.yaml")
    assert str(refused.value).endswith(":1:10: more than 10 files extend each other. Shorten the chain")


def test_scenarios_are_found_below_folders(tmp_path: Path) -> None:
    """Sorted within a folder, each once, hidden folders passed over, files taken as they are."""
    for name in ("b/y.scenario.yaml", "a/x.scenario.yaml", ".asflown/z.scenario.yaml", "a/other.yaml"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    found = find_scenarios([tmp_path / "b" / "y.scenario.yaml", tmp_path, tmp_path / "a" / "other.yaml"])
    assert [str(file.relative_to(tmp_path)) for file in found] == [
        "b/y.scenario.yaml",
        "a/x.scenario.yaml",
        "a/other.yaml",
    ]


def test_nothing_to_find_is_a_mistake(tmp_path: Path) -> None:
    """A path that is not there, and a folder without scenarios."""
    with pytest.raises(UsageError, match="there is no file or folder"):
        find_scenarios([tmp_path / "nowhere"])
    with pytest.raises(UsageError) as refused:
        find_scenarios([tmp_path])
    assert str(refused.value) == f"nothing to read below {tmp_path}. File names end in .scenario.yaml"


LINES = SCENARIO.splitlines()
RUBBISH = st.sampled_from(
    [
        "",
        "5",
        "-1 m",
        "x",
        "[]",
        "{}",
        "[1 m]",
        "{a: b}",
        "null",
        "true",
        ".nan",
        "1e999",
        '"',
        "*a",
        "!!x",
        "&a 1",
    ]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150, deadline=None)
@given(st.integers(0, len(LINES) - 1), RUBBISH, st.booleans())
def test_no_rubbish_in_any_line_gets_through_as_a_fault(
    tmp_path: Path, line: int, rubbish: str, whole_line: bool
) -> None:
    """Whatever stands in a line, the file is read or told what is wrong; nothing else is raised."""
    head, colon, _ = LINES[line].partition(": ")
    spoilt_line = rubbish if whole_line else f"{head}{colon or ': '}{rubbish}"
    file = write_scenario(tmp_path, "\n".join([*LINES[:line], spoilt_line, *LINES[line + 1 :]]))
    told = problem_in(file)
    assert told is None or 1 <= told.where.line <= len(LINES) + 1
    assert "Input should" not in str(told), "every mistake is told in words of our own"


def problem_in(file: Path) -> FileProblem | None:
    try:
        load_scenario(file)
    except FileProblem as problem:
        return problem
    return None
