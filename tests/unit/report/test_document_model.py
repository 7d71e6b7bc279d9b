"""The published schema of JSON reports: it is what the documentation has, and every report follows it."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from asflown.cli.main import main
from asflown.report.document import document, write_json
from asflown.report.document_model import SCHEMA_VERSION, report_schema
from asflown.report.flown import ScenarioOutcome
from tests.unit.report.builders import FAILED, PASSED, flown, outcome
from tests.unit.source import ROOT

PUBLISHED = ROOT / "harness" / "docs" / "report-schema.json"
OUTCOMES = {
    "passed": outcome(flown(PASSED)),
    "failed": outcome(flown(FAILED), verdict="fail"),
    "not flown": outcome(flown(None, outcome="error", problem="no heartbeat"), verdict="error"),
}


def strict(part: Any) -> Any:
    """The schema, with keys refused that it does not name: what is written must be published, too."""
    if isinstance(part, list):
        return [strict(entry) for entry in part]
    if not isinstance(part, dict):
        return part
    closed = {"additionalProperties": False} if "properties" in part and "type" in part else {}
    return {key: strict(entry) for key, entry in part.items()} | closed


def test_the_published_schema_is_the_codes() -> None:
    """The file is made by `asflown check --schema report > harness/docs/report-schema.json`."""
    assert json.loads(PUBLISHED.read_text(encoding="utf-8")) == report_schema()


def test_the_command_prints_it(capsys: pytest.CaptureFixture[str]) -> None:
    """With its dialect and version, and it is itself a valid schema."""
    assert main(["check", "--schema", "report"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$id"] == f"urn:asflown:report:{SCHEMA_VERSION}"


@pytest.mark.parametrize("one", OUTCOMES.values(), ids=OUTCOMES.keys())
def test_documents_follow_the_schema(one: ScenarioOutcome, tmp_path: Path) -> None:
    """Each kind of outcome, as it is read back from the file, with no key that is not published."""
    write_json(tmp_path / "report.json", [one])
    written = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    jsonschema.validate(written, strict(report_schema()), cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("schema_version",), 2),
        (("flights", 0, "verdict"), "passed"),
        (("flights", 0, "seed"), "7"),
        (("flights", 0, "measures", 0, "margin"), "0.5"),
        (("verdicts", 0, "failures"), None),
    ],
    ids=["version", "word", "seed", "margin", "list"],
)
def test_what_is_no_report_is_refused(place: tuple[str | int, ...], value: object) -> None:
    """The schema can fail: another version, another word, text for a number."""
    spoilt: Any = copy.deepcopy(document([OUTCOMES["failed"]]))
    inner = spoilt
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spoilt, report_schema(), cls=jsonschema.Draft202012Validator)


def test_programs_may_meet_new_keys() -> None:
    """A key that is added later does not make a report invalid."""
    later = {**document([OUTCOMES["passed"]]), "weather": "fair"}
    jsonschema.validate(later, report_schema(), cls=jsonschema.Draft202012Validator)
