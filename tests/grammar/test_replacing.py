"""Values made quickly are those that their class makes."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError, dataclass, field, replace

import pytest

from grammar.case.facts import Noted
from grammar.replacing import quick, replaced


@dataclass(frozen=True, slots=True)
class Place:
    """A value of the kinds of fields that there are."""

    name: str
    height: float = 0.0
    marks: tuple[str, ...] = field(default_factory=tuple)
    near: bool = field(default=False, kw_only=True)


@dataclass(slots=True)
class Open:
    """A value that may be changed."""

    name: str


@dataclass(frozen=True, slots=True)
class Checked:
    """A value that does more than set its fields."""

    name: str

    def __post_init__(self) -> None:
        assert self.name


def test_a_value_made_quickly_is_one_of_its_class() -> None:
    made = quick(Place)("hill", height=2.0, near=True)
    assert made == Place("hill", 2.0, near=True)
    assert type(made) is Place
    assert repr(made) == repr(Place("hill", 2.0, near=True))
    assert hash(made) == hash(Place("hill", 2.0, near=True))
    assert pickle.loads(pickle.dumps(made)) == copy.deepcopy(made) == made
    assert replace(made, name="dale") == Place("dale", 2.0, near=True)


def test_it_cannot_be_changed_either() -> None:
    with pytest.raises(FrozenInstanceError):
        quick(Place)("hill").name = "dale"  # type: ignore[misc]


def test_it_wants_the_fields_that_its_class_wants() -> None:
    with pytest.raises(TypeError, match="name"):
        quick(Place)()  # type: ignore[call-arg]
    with pytest.raises(TypeError):
        quick(Place)("hill", 1.0, (), True)  # type: ignore[call-arg]


@pytest.mark.parametrize("kind", [Open, Checked, Noted, int])
def test_a_class_that_does_more_is_refused(kind: type) -> None:
    with pytest.raises(TypeError):
        quick(kind)


def test_a_copy_has_the_change_and_nothing_else() -> None:
    @dataclass(frozen=True, slots=True)
    class Plain:
        one: int
        other: tuple[int, ...] = ()

    was = Plain(1, (2,))
    now = replaced(was, one=3)
    assert (was, now, type(now)) == (Plain(1, (2,)), Plain(3, (2,)), Plain)
    with pytest.raises(KeyError):
        replaced(was, third=1)
    assert replaced(Open("hill"), name="dale") == Open("dale")
