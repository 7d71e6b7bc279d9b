"""`asflown history`: what it shows, writes and removes, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from asflown.cli.main import main
from tests.unit.change.stored import store_flight


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Thirty flights, of which two failed and the last ten missed by more."""
    monkeypatch.chdir(tmp_path)
    store = tmp_path / "flights"
    for number in range(30):
        miss = 0.3 + 0.01 * (number * 7 % 5) + (0.3 if number >= 20 else 0.0)
        verdict = "fail" if number in {3, 8} else "pass"
        store_flight(store, number, values={"miss": miss}, verdict=verdict)  # type: ignore[arg-type]
    return store


def test_the_list_counts_flights_of_each_kind(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A line for each, with how many passed; the same as JSON."""
    assert main(["history", "--keep", str(store), "--json", "kinds.json"]) == 0
    assert "hop/palm80@r1 30 28 of 30 2026-01-01 pass" in " ".join(capsys.readouterr().out.split())
    (kind,) = json.loads(Path("kinds.json").read_text())["kinds"]
    assert (kind["flights"], kind["failed"]) == (30, 2)


def test_a_trend_names_the_flight_since_which_it_differs(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the medians before and after."""
    assert main(["history", "show", "hop", "--keep", str(store)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "miss (estimate) shifted from 0.32 m to 0.62 m (medians) with flight-00020" in out


def test_one_measure_is_shown_flight_by_flight(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With its seed; the newest few, where so many are asked for."""
    assert main(["history", "show", "hop", "--measure", "miss", "--last", "2", "--keep", str(store)]) == 0
    out = capsys.readouterr().out
    assert "flight-00029" in out
    assert "flight-00027" not in out


def test_an_unknown_measure_is_refused_with_the_known_ones(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, one message."""
    assert main(["history", "show", "hop", "--measure", "mass", "--keep", str(store)]) == 2
    assert "They have: miss" in capsys.readouterr().err


def test_flaky_scenarios_have_a_rate_and_an_interval(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """2 of 30: between 1 and 22 %."""
    assert main(["history", "flaky", "--keep", str(store)]) == 0
    assert "2 of 30 7 % 1 to 22 % 3, 8" in " ".join(capsys.readouterr().out.split())


def test_pruning_is_a_plan_until_it_is_asked_for(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """First nothing goes, with --remove it does."""
    assert main(["history", "prune", "--newest", "4", "--keep", str(store)]) == 0
    assert "26 flights would be removed" in " ".join(capsys.readouterr().out.split())
    assert len(list(store.glob("flight-*"))) == 30
    assert main(["history", "prune", "--newest", "4", "--remove", "--keep", str(store)]) == 0
    assert len(list(store.glob("flight-*"))) == 4


@pytest.mark.parametrize(
    ("arguments", "says"),
    [(["prune"], "nothing says what to keep"), (["--keep", "nowhere"], "there is no folder nowhere")],
    ids=["no bound", "no folder"],
)
def test_what_cannot_be_done_is_refused(
    store: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    """Exit code 2 and what to do."""
    assert main(["history", *arguments, *([] if "--keep" in arguments else ["--keep", str(store)])]) == 2
    assert says in capsys.readouterr().err


def test_a_damaged_index_is_made_anew(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`rebuild` deletes what cannot be used, and reads the folders."""
    (store / ".history.sqlite").write_text("no database at all, but some text of sufficient length" * 40)
    assert main(["history", "--keep", str(store)]) == 2
    assert main(["history", "rebuild", "--keep", str(store)]) == 0
    assert "30 flights" in capsys.readouterr().out
