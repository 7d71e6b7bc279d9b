"""Reads JUnit reports from outside: the published schema, and counts held against what is really there."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import xmlschema
from lxml import etree

DATA = Path(__file__).parent / "data" / "junit"
SCHEMA_FILE = DATA / "junit-10.xsd"
OLDER_SCHEMA_FILE = DATA / "junit-4.xsd"


@cache
def schema() -> xmlschema.XMLSchema:
    """OC-REP-01: the schema that pytest's repository carries."""
    return xmlschema.XMLSchema(str(SCHEMA_FILE))


@cache
def older_schema() -> xmlschema.XMLSchema:
    """The second published schema (data/junit/SOURCE.md)."""
    return xmlschema.XMLSchema(str(OLDER_SCHEMA_FILE))


def is_valid(text: str) -> bool:
    """Whether the schema takes the document."""
    return schema().is_valid(text)


def read_report(text: str) -> etree._Element:
    """The report's root; asserts that both schemas take it and that every declared count is the number of elements."""
    schema().validate(text)
    older_schema().validate(text)
    root = etree.fromstring(text.encode("utf-8"), etree.XMLParser(huge_tree=True))
    for element in [root, *root.iter("testsuite")]:
        assert int(element.get("tests", -1)) == len(list(element.iter("testcase")))
        assert int(element.get("failures", -1)) == len(list(element.iter("failure")))
        assert int(element.get("errors", -1)) == len(list(element.iter("error")))
    for suite in root.iter("testsuite"):
        assert int(suite.get("skipped", -1)) == len(list(suite.iter("skipped")))
    return root
