"""A release: one version everywhere, told in the changelog, and a wheel that holds what it needs."""

from __future__ import annotations

import re
import tomllib

from listener.storage.database import SCHEMA_VERSION
from tests.support.places import CASES, ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
VERSIONS = re.findall(
    r"^## (\d+\.\d+\.\d+), (.+?) \(cases: schema (\d+)\)$",
    (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"),
    re.MULTILINE,
)


def test_the_newest_version_of_the_changelog_is_the_project_s() -> None:
    version, _, schema = VERSIONS[0]
    assert PROJECT["version"] == version
    assert int(schema) == SCHEMA_VERSION


def test_versions_fall_and_each_schema_has_one_and_a_stored_case() -> None:
    numbers = [tuple(map(int, version.split("."))) for version, _, _ in VERSIONS]
    assert numbers == sorted(numbers, reverse=True)
    schemas = {int(schema) for _, _, schema in VERSIONS}
    assert schemas == set(range(1, SCHEMA_VERSION + 1))
    assert {path.name for path in CASES.glob("schema-?")} == {f"schema-{n}" for n in schemas}
