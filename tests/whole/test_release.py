"""A release: one version everywhere, told in the changelog, and a wheel that holds what it needs."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

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


WORKFLOW = ROOT / ".github" / "workflows" / "ci.yml"


@pytest.mark.parametrize(("was", "becomes", "fits"), [("", "", True), ("steps:", "step:", False)])
def test_the_hosted_workflow_is_as_its_published_schema_asks(
    was: str, becomes: str, fits: bool, tmp_path: Path
) -> None:
    """The schema of workflow files of the JSON Schema Store, as check-jsonschema brings it along."""
    tried = tmp_path / "ci.yml"
    tried.write_text(WORKFLOW.read_text(encoding="utf-8").replace(was, becomes), encoding="utf-8")
    check = ["check_jsonschema", "--builtin-schema", "vendor.github-workflows", str(tried)]
    done = subprocess.run([sys.executable, "-m", *check], capture_output=True, check=False)
    assert (done.returncode == 0) == fits, done.stdout


def test_the_hosted_workflow_runs_what_is_run_here() -> None:
    told = WORKFLOW.read_text(encoding="utf-8")
    for name in (".ci/run", ".ci/ends"):
        assert f"run: {name}\n" in told
        assert (ROOT / name).stat().st_mode & 0o111
