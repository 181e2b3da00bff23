"""The documents: a short README, from which every page is one step away, and plain docstrings."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.places import README, ROOT

PRODUCT = ("grammar", "listener", "tui")
PAGES = sorted(
    page
    for part in (*PRODUCT, "sample_audio_synthetic")
    for page in (ROOT / part).rglob("*.md")
    if "__pycache__" not in page.parts
)

BANNED = re.compile(r"(?:^|[.:!?]\s)\s*(So much|What|Of which)\b")
"""Beginnings of sentences that make a riddle of a docstring."""


def links(page: Path) -> Iterator[Path]:
    """Yield the files that a page links to, anchors cut off."""
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", text):
        if "://" not in target:
            yield (page.parent / target).resolve()


def anchors(page: Path) -> Iterator[tuple[Path, str]]:
    """Yield the headings that a page links to, each with its file."""
    for target, anchor in re.findall(
        r"\]\(([^)#\s]*)#([^)\s]+)\)", page.read_text(encoding="utf-8")
    ):
        yield ((page.parent / target).resolve() if target else page), anchor


def headings(page: Path) -> set[str]:
    """Return the anchors of a page's headings, as hosts of code make them."""
    found = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in found}


def docstrings(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and text of every docstring, those under a value included."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        body = getattr(node, "body", ())
        for one in body if isinstance(body, list) else ():
            if (
                isinstance(one, ast.Expr)
                and isinstance(one.value, ast.Constant)
                and isinstance(one.value.value, str)
            ):
                yield one.lineno, " ".join(one.value.value.split())


def test_the_readme_has_at_most_150_lines() -> None:
    assert len(README.read_text(encoding="utf-8").splitlines()) <= 150


def test_every_page_is_one_step_from_the_readme() -> None:
    assert set(PAGES) <= set(links(README))


@pytest.mark.parametrize(
    "page",
    [README, ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md", *PAGES],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_every_link_leads_somewhere(page: Path) -> None:
    for target in links(page):
        assert target.exists(), target
    for target, anchor in anchors(page):
        assert anchor in headings(target), f"{target}#{anchor}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_page_says_at_its_head_who_it_is_for(page: Path) -> None:
    head = page.read_text(encoding="utf-8").split("\n## ")[0]
    assert re.search(r"^For ", head, re.MULTILINE), head


@pytest.mark.parametrize("part", PRODUCT)
def test_no_docstring_begins_a_sentence_like_a_riddle(part: str) -> None:
    riddles = [
        f"{path.relative_to(ROOT)}:{line}: {text}"
        for path in sorted((ROOT / part).rglob("*.py"))
        for line, text in docstrings(path)
        if BANNED.search(text)
    ]
    assert not riddles, "\n".join(riddles)


def names_in(page: Path) -> Iterator[str]:
    """Yield the paths of Python files and tests that a page names in code marks."""
    for quoted in re.findall(r"`([^`\n]+)`", page.read_text(encoding="utf-8")):
        yield from re.findall(r"(?:grammar|listener|tui|tests)/[\w/.-]+\.(?:py|toml|md)", quoted)


@pytest.mark.parametrize(
    "page",
    [README, ROOT / "DEVELOPERS.md", *PAGES],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_every_file_that_a_page_names_exists(page: Path) -> None:
    assert not [name for name in names_in(page) if not (ROOT / name).exists()]


@pytest.mark.parametrize("part", ["grammar", "listener", "tui"])
def test_every_module_that_a_docstring_names_exists(part: str) -> None:
    """A file by its name alone may lie in any room; `module.name` in the words of a room, in that room."""
    known = {path.name for folder in (*PRODUCT, "tests") for path in (ROOT / folder).rglob("*.py")}
    gone = []
    for path in sorted((ROOT / part).rglob("*.py")):
        for line, text in docstrings(path):
            for name in re.findall(r"`(\w+\.py)`", text):
                gone += [] if name in known else [f"{path}:{line}: {name}"]
            for module, name in re.findall(r"`([a-z_]+)\.(\w+)(?:\.\w+)*`", text):
                if path.name == "__init__.py" and name not in ("py", "md", "toml"):
                    place = path.parent / module
                    source = (
                        place.with_suffix(".py") if not place.is_dir() else place / "__init__.py"
                    )
                    says = source.read_text(encoding="utf-8") if source.exists() else ""
                    gone += [] if re.search(rf"\b{name}\b", says) else [f"{path}: {module}.{name}"]
    assert not gone
