"""Everything that reads a file somebody else may have written: by name, with sound documents to spoil.

The invariant of all: what was read is usable, or the error is one of errors.py that says what is wrong and what to
do, in a few lines. No other exception, no endless run, no memory that grows with the wish of a file.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import yaml

from asflown.campaign.plan import drawn
from asflown.campaign.store import Store
from asflown.change.baseline_model import baseline_text, read_baseline
from asflown.change.bisect_drive import Results
from asflown.change.history_query import flaky, kinds, measure_names, trend
from asflown.change.history_store import History
from asflown.errors import FileProblem, FormulaProblem, UsageError
from asflown.grade.grade import read_grade
from asflown.link.key_file import read_key
from asflown.link.profile import read_profile
from asflown.record import truth
from asflown.record.folder import read_events, read_manifest
from asflown.scenario.file import load_scenario, with_given
from asflown.scenario.measure_formula import parse_measure_formula
from asflown.scenario.parameter_file import read_parameters
from asflown.scenario.rules import parse_formula
from asflown.scenario.vehicle_file import read_vehicle
from tests.hostile import documents
from tests.hostile.words import FORMULAS, word
from tests.unit.scenario.files import SCENARIO, VEHICLE

ROOT = Path(__file__).parents[2]
LONGEST_MESSAGE = 20_000
"""Characters: a message is read by a person."""


@dataclass(frozen=True)
class Reader:
    """One thing that reads a document: `make` draws one, `read` reads the file it was written to."""

    name: str
    file: str
    """How the file is called."""
    make: Callable[[Random], bytes]
    read: Callable[[Path], object]
    beside: Callable[[Path], None] = lambda folder: None
    """Puts into the folder what a sound document needs beside it."""


def judge(reader: Reader, path: Path) -> str:
    """Reads `path`: `read`, or the name of the error that says what is wrong. Raises whatever breaks the invariant."""
    try:
        reader.read(path)
    except UsageError as error:
        _must_be_told_well(error)
        return type(error).__name__
    return "read"


def _must_be_told_well(error: UsageError) -> None:
    said = str(error)
    assert error.problem, f"nothing says what is wrong: {error!r}"
    assert error.remedy, f"nothing says what to do: {error}"
    assert len(said) <= LONGEST_MESSAGE, f"{len(said)} characters: {said[:300]} ..."
    if isinstance(error, FileProblem):
        assert min(error.where.line, error.where.column) >= 1, error.where


def documents_of(*files: str) -> tuple[Any, ...]:
    """The trees of YAML files of this repository."""
    return tuple(yaml.safe_load((ROOT / file).read_text(encoding="utf-8")) for file in files)


_CAMPAIGN = {
    "flights": 20, "sampling": "sobol", "seed": 3,
    "vary": {
        "conditions.wind.speed": {"uniform": ["0 m/s", "6 m/s"]},
        "start.battery": {"normal": {"mean": "90 %", "deviation": "5 %", "between": ["70 %", "100 %"]}},
        "conditions.faults.0.at": {"choice": ["5 s", "21 s"]},
    },
    "stop": {"share": "90 %", "against": "70 %"},
}  # fmt: skip
_PROFILE = {
    "asflown": 1, "name": "shed", "summary": "x",
    "up": {"rate": "1000 B/s", "overhead": "10 B", "buffer": "500 B", "latency": "30 ms", "jitter": "5 ms", "bit_errors": "0.1 %",
           "loss": {"good_to_bad": "1 %", "bad_to_good": "20 %", "in_good": "0 %", "in_bad": "80 %"}},
    "down": {"rate": "2000 B/s"}, "half_duplex": {"turn_around": "2 ms", "window": "20 ms"}, "status": {"every": "1 s", "rssi": 190},
}  # fmt: skip
_GRADE = {
    "verdict": "fail", "reason": "x",
    "measures": [{"name": "duration", "unit": "s", "value": 44.0, "limit": {"between": [30.0, 90.0]}, "margin": 0.5,
                  "source": "estimate", "leg": None, "at_s": 3.0, "says": "44 s"}],
    "rules": [{"name": "ceiling", "text": "always (height < 4.5 m)", "robustness": 0.3, "unit": "m", "margin_in_unit": 1.3,
               "source": "estimate", "at_s": 3.0, "says": "", "exact": True, "part": "", "broken_s": [1.0, 2.0]}],
    "checks": [{"name": "exit code", "passed": True, "says": "x"}], "legs_not_flown": [], "anchors": "x",
}  # fmt: skip
_MANIFEST = {
    "schema_version": 1, "flight_id": "x", "scenario": "pond-round", "scenario_file": "pond.scenario.yaml", "scenario_sha256": "0",
    "script_sha256": "0", "expectations_sha256": "0", "guard_sha256": "0", "git": {"commit": "0"},
    "vehicle": {"name": "palm80", "kind": "built-in", "airframe": "palm80", "release": "r1", "parameters": {"a": 1.0}},
    "conditions": {"wind": {"speed_m_s": 2.0}}, "start": {"heading_rad": 0.5}, "seed": 1,
    "clock": {"asked": "any", "kind": "lockstep", "deterministic": True, "digest": "0", "epoch_us": 1735689600000000},
    "script": {"command": ["python", "x.py"], "exit_code": 0, "ended": "exited", "started_us": 10, "ended_us": 20},
    "versions": {"asflown": "0.1.0"}, "started_utc": "2026-01-01T00:00:00Z", "flight_time_s": 44.0, "outcome": "completed",
    "safety_events": [{"at_s": 1.0, "what": "guard: stop-here", "cause": "too high"}], "link": {"frames": 3},
}  # fmt: skip
_EVENT = {"time_us": 1, "kind": "script-started", "values": [1.0, None], "words": "x"}
_PLAN = {"schema_version": 1, "scenario": "x", "flights": [{"number": 0, "seed": 1, "given": {"a": "1 m"}}]}
_OUTCOME = {"number": 0, "seed": 1, "given": {"a": "1 m"}, "verdict": "pass", "reason": "", "margins": {"duration": 0.5},
            "digest": "", "fingerprint": "", "flight_time_s": 1.0, "wall_time_s": 1.0, "folder": ""}  # fmt: skip
_SEARCH = {
    "schema_version": 1,
    "search": {"a": 1},
    "flown": [{"candidate": "r1", "seed": 1, "bad": False, "folder": ""}],
}


def _scenario_tree() -> Any:
    return yaml.safe_load(SCENARIO)


def _scenario_with_campaign() -> Any:
    return _scenario_tree() | {"campaign": _CAMPAIGN}


def _baseline_trees() -> tuple[Any, ...]:
    """A whole one, and twice what is left of it with a flight, a measure, a rule and a leg: small is soon read."""
    (whole,) = documents_of("scenarios/nest_boxes/baseline/nest-boxes.palm80.r1.baseline.yaml")
    small = copy.deepcopy(whole)
    for part in ("measures", "rules", "path"):
        small[part] = dict(list(small[part].items())[:1])
    small["path"] = {leg: places[:2] for leg, places in small["path"].items()}
    for measure in small["measures"].values():
        measure["flights"] = {"seed 1": 44.5}
    return whole, small | {"seeds": [1]}, small | {"seeds": [1]}


def _spoilt(*seeds: Any, also_json: bool = True) -> Callable[[Random], bytes]:
    writes = (documents.as_yaml, documents.as_yaml, documents.as_json) if also_json else (documents.as_yaml,)
    return lambda chance: documents.wrecked(chance, seeds, writes)


def _spoilt_json(*seeds: Any) -> Callable[[Random], bytes]:
    return lambda chance: documents.wrecked(chance, seeds, (documents.as_json,))


def _spoilt_lines(*seeds: Any) -> Callable[[Random], bytes]:
    one = _spoilt_json(*seeds)
    return lambda chance: (
        b"\n".join(one(chance) for _ in range(chance.randint(0, 4))) + chance.choice((b"", b"\n"))
    )


def _formula(chance: Random) -> bytes:
    """Formulas, put together out of pieces of the grammar, and spoilt."""
    text = chance.choice(FORMULAS)
    for _ in range(chance.randint(0, 3)):
        joint = chance.choice(
            (" and ", " or ", " implies ", " until[0 s, 3 s] ", " since ", ", ", " + ", " < ", " scale ")
        )
        text = chance.choice(
            (
                f"{text}{joint}{chance.choice(FORMULAS)}",
                f"not ({text})",
                f"always[0 s, 2 s] ({text})",
                f"rise({text})",
            )
        )
    data = text.encode("utf-8", "surrogatepass")
    return documents.damaged(chance, data) if chance.random() < 0.5 else data


def _given(chance: Random) -> bytes:
    """Overrides as a command line or a campaign gives them: a path of keys and a text."""
    paths = ("conditions.wind.speed", "start.battery", "script.run.0", "expect.path.legs.1.line.to.0", "guard.height", "repeat.seeds.0",
             "expect.rules.0.always", "extends", "vehicle", "conditions.radio", "asflown", "", ".", "a..b", "x." * 300 + "x",
             "script.run.\u0661", "script.run.\u00b2", "script.run.-1", "script.run." + "9" * 5000, "expect.measures", "script.run.0.a")  # fmt: skip
    pairs = {
        chance.choice((chance.choice(paths), word(chance))): word(chance) for _ in range(chance.randint(1, 3))
    }
    return json.dumps(pairs).encode()


def _parameters(chance: Random) -> bytes:
    lines = [
        "name,value",
        "tilt,25",
        "climb,1.5  # fast",
        "",
        *(f"{word(chance)},{word(chance)}" for _ in range(chance.randint(0, 3))),
    ]
    data = "\n".join(lines).encode("utf-8", "surrogatepass")
    return documents.damaged(chance, data) if chance.random() < 0.5 else data


def _key(chance: Random) -> bytes:
    return chance.choice(
        (
            b"ab" * 32,
            documents.damaged(chance, b"AB" * 32 + b"\n"),
            word(chance).encode("utf-8", "surrogatepass"),
        )
    )


def _truth(chance: Random) -> bytes:
    rows = np.random.default_rng(chance.randrange(2**32)).normal(
        size=(chance.choice((0, 1, 5)), len(truth.TRUTH_COLUMNS))
    )
    data = truth.header(len(rows)) + rows.astype("<f8").tobytes()
    return documents.damaged(chance, data)


def _read_formula(path: Path) -> object:
    text = path.read_bytes().decode("utf-8", "replace")
    told = [_formula_or_problem(parse, text) for parse in (parse_formula, parse_measure_formula)]
    assert all(0 <= one.offset <= len(text) for one in told if isinstance(one, FormulaProblem)), told
    if isinstance(told[0], FormulaProblem):
        raise told[0]
    return told


def _formula_or_problem(parse: Callable[[str], object], text: str) -> object:
    try:
        return parse(text)
    except FormulaProblem as problem:
        return problem


def _read_given(path: Path) -> object:
    given = json.loads(path.read_bytes())
    return with_given(_sound(path.parent / "sound.scenario.yaml"), given)


_sound = cache(load_scenario)


def _read_campaign(path: Path) -> object:
    """A plan is drawn too, where it is small: a wide one only takes its time."""
    loaded = load_scenario(path)
    campaign = loaded.scenario.campaign
    if campaign is not None and campaign.flights <= 200:
        for one in drawn(campaign, "x")[:3]:
            with_given(loaded, one.given)
    return loaded


def _read_history(path: Path) -> object:
    """A folder of flights whose index is the document; asked for all that it knows."""
    with History(path.parent) as history:
        history.catch_up()
        for kind in kinds(history):
            for measure in measure_names(history, kind.kind):
                trend(history, kind.kind, measure)
        return flaky(history)


def _beside_history(folder: Path) -> None:
    _beside_flight(folder / "one")
    (folder / "one" / "flight.json").write_text(json.dumps(_MANIFEST), encoding="utf-8")


def _beside_flight(folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    (folder / "grade.json").write_text(json.dumps(_GRADE), encoding="utf-8")
    for name in ("script.log", "events.jsonl"):
        (folder / name).touch()


def _beside_scenario(folder: Path) -> None:
    (folder / "pond.py").touch()
    (folder / "shed-quad.params.csv").write_text("tilt,25\n", encoding="utf-8")
    (folder / "sound.scenario.yaml").write_text(SCENARIO, encoding="utf-8")
    (folder / "quad.vehicle.yaml").write_text(VEHICLE, encoding="utf-8")


_index_bytes: list[bytes] = []


def _history(chance: Random) -> bytes:
    """A whole index with something wrong in it."""
    if not _index_bytes:
        _index_bytes.append(_made_index())
    data = _index_bytes[0]
    for _ in range(chance.choice((1, 1, 4, 40))):
        if not data:  # all of it was cut off
            break
        at = chance.randrange(len(data))
        data = (
            data[:at] + bytes((chance.randrange(256),)) + data[at + 1 :]
            if chance.random() < 0.9
            else documents.damaged(chance, data)
        )
    return data


def _made_index() -> bytes:
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _beside_history(folder)
        with History(folder) as history:
            history.catch_up()
            history.connection.execute("PRAGMA journal_mode = DELETE")
        return (folder / ".history.sqlite").read_bytes()


def _read_store(path: Path) -> object:
    store = Store(path.parent)
    return store.done()


def _read_old_flight(path: Path) -> object:
    """A manifest as the history enters it, and as reports take it."""
    manifest = read_manifest(path.parent)
    with History(path.parent.parent) as history:
        history.enter(path.parent)
        kinds(history)
    return manifest


def _read_grade_everywhere(path: Path) -> object:
    """A grade as reports read it and as the history does, whichever refuses."""
    with History(path.parent.parent) as history:
        history.enter(path.parent)
    return read_grade(path.parent)


_SCENARIOS = (_scenario_tree(), *documents_of("scenarios/nest_boxes/nest-boxes.scenario.yaml"))
_VEHICLES = (yaml.safe_load(VEHICLE), *documents_of("scenarios/vehicles/boxed-palm80.vehicle.yaml"))

READERS = {
    reader.name: reader
    for reader in (
        Reader("scenario", "x.scenario.yaml", _spoilt(*_SCENARIOS), load_scenario, _beside_scenario),
        Reader("vehicle", "x.vehicle.yaml", _spoilt(*_VEHICLES), read_vehicle, _beside_scenario),
        Reader("campaign", "x.scenario.yaml", _spoilt(_scenario_with_campaign()), _read_campaign, _beside_scenario),
        Reader("baseline", "x.baseline.yaml", _spoilt(*_baseline_trees()), lambda path: baseline_text(read_baseline(path))),
        Reader("profile", "x.yaml", _spoilt(_PROFILE, *documents_of("harness/asflown/link/profiles/sub-ghz-telemetry.yaml")), read_profile),
        Reader("formula", "formula", _formula, _read_formula),
        Reader("given", "given", _given, _read_given, _beside_scenario),
        Reader("parameters", "x.csv", _parameters, read_parameters),
        Reader("manifest", "flight/flight.json", _spoilt_json(_MANIFEST), _read_old_flight, lambda f: _beside_flight(f / "flight")),
        Reader("grade", "one/grade.json", _spoilt_json(_GRADE), _read_grade_everywhere, _beside_history),
        Reader("events", "events.jsonl", _spoilt_lines(_EVENT), lambda path: list(read_events(path.parent))),
        Reader("truth", "truth.npy", _truth, lambda path: truth.read(path.parent)),
        Reader("plan", "plan.json", _spoilt_json(_PLAN), lambda path: Store(path.parent).plan()),
        Reader("results", "results.jsonl", _spoilt_lines(_OUTCOME), _read_store),
        Reader("search", "state.json", _spoilt_json(_SEARCH), lambda path: Results(path, {"a": 1})),
        Reader("key", "key", _key, read_key),
        Reader("history", ".history.sqlite", _history, _read_history, _beside_history),
    )
}  # fmt: skip
"""All of them."""
