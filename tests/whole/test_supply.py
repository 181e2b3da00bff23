"""What answerback is made of: each package in a range, its licence told and as its own papers say."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

from tests.support.places import ROOT
from tests.tools.lowest import requirements

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
EVERY = sorted(
    {
        Requirement(one).name
        for group in (PROJECT["dependencies"], *PROJECT["optional-dependencies"].values())
        for one in group
    }
)
FAMILIES = {
    "MIT": r"MIT\b",
    "BSD": r"BSD\b",
    "Apache": r"Apache\b",
    "LGPL": r"LGPL|Lesser General",
    "MPL": r"MPL\b|Mozilla Public",
    "zlib": r"zlib|provided 'as-is'",
    "PSF": r"PSF\b|Python Software",
    "ISC": r"ISC\b",
    "public domain": r"Unlicense|CC0|HPND|[Pp]ublic [Dd]omain",
    "GPL": r"(?<!L)(?<!Lesser )GPL|GNU General",
}
MAY = FAMILIES.keys() - {"GPL"}
"""Licences under which a program of any licence may use a library that it does not change."""


def families(text: str) -> set[str]:
    return {name for name, words in FAMILIES.items() if re.search(rf"\b(?:{words})", text)}


def told() -> dict[str, str]:
    """Package and licence, by the table in DEVELOPERS.md."""
    found: dict[str, str] = {}
    table = (ROOT / "DEVELOPERS.md").read_text().split("## Dependencies")[1].split("\n## ")[0]
    for line in table.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 3:
            names = [re.sub(r" \(.*", "", name) for name in cells[0].split(", ")]
            licences = cells[1].split(", ")
            licences = licences if len(licences) == len(names) else licences * len(names)
            found.update(zip(names, licences, strict=True))
    return found


def by_its_papers(name: str) -> set[str]:
    """The families of licences in a package's metadata, else in its licence file."""
    about = metadata.metadata(name)
    classed = [c for c in about.get_all("Classifier") or [] if c.startswith("License")]
    said = [*(about.get_all("License-Expression") or [])]
    said += [text[:60] for text in about.get_all("License") or []] + classed
    if found := families(" ".join(said)):
        return found
    texts = [f for f in metadata.files(name) or [] if re.search("licen[cs]e|copying", str(f), re.I)]
    there = [f for f in texts if Path(str(f.locate())).is_file()]
    return families(" ".join(f.read_text()[:2000] for f in there))


def brought() -> Iterator[str]:
    """Every installed package that comes with answerback, by whatever way."""
    seen, waiting = set(), [Requirement(one) for one in PROJECT["dependencies"]]
    while waiting:
        wanted = waiting.pop()
        if wanted.name.lower() in seen or (
            wanted.marker and not wanted.marker.evaluate({"extra": ""})
        ):
            continue
        seen.add(wanted.name.lower())
        yield wanted.name
        waiting += map(Requirement, metadata.requires(wanted.name) or [])


@pytest.mark.parametrize("name", EVERY)
def test_every_package_stands_in_the_table_with_its_licence(name: str) -> None:
    assert name in told(), f"DEVELOPERS.md does not name {name}"
    try:
        own = by_its_papers(name)
    except metadata.PackageNotFoundError:
        return  # only for training or fuzzing
    assert not own or families(told()[name]) & own, (told()[name], own)


@pytest.mark.parametrize("name", sorted(brought()))
def test_nothing_that_is_brought_along_forbids_its_use(name: str) -> None:
    own = by_its_papers(name)
    assert own & MAY, (name, own)


@pytest.mark.parametrize("one", requirements())
def test_what_it_runs_on_has_a_lowest_and_a_highest_version_and_lies_between(one: str) -> None:
    wanted = Requirement(one)
    assert sorted(spec.operator for spec in wanted.specifier) == ["<", ">="]
    assert wanted.specifier.contains(Version(metadata.version(wanted.name)))
