"""Records are what `dataclasses.dataclass(frozen=True)` makes of the same class."""

from __future__ import annotations

import dataclasses
import pickle
from typing import Any

import pytest

from models import records


def classes(make: Any) -> tuple[type[Any], type[Any]]:
    """Return a record and one that adds to it, made by `make`."""

    class Bed:
        """A bed."""

        name: str
        area: float = 12.5
        tags: list[str] = dataclasses.field(default_factory=list)
        hidden: int = dataclasses.field(default=3, repr=False)

        def __post_init__(self) -> None:
            if self.area < 0:
                raise ValueError("area")

    Bed.__qualname__ = "Bed"
    bed = make(frozen=True)(Bed)

    class Slope(bed):  # type: ignore[misc, valid-type]
        steep: bool = False

    Slope.__qualname__ = "Slope"
    return bed, make(frozen=True)(Slope)


@pytest.fixture(params=[0, 1], ids=["one", "one that adds"])
def pair(request: pytest.FixtureRequest) -> tuple[type[Any], type[Any]]:
    return classes(records.dataclass)[request.param], classes(dataclasses.dataclass)[request.param]


@pytest.mark.parametrize("given", [("a",), ("a", 2.0), ("a", 2.0, ["x"], 4)])
def test_arguments_text_replace_and_fields_are_the_same(pair: Any, given: tuple[Any, ...]) -> None:
    ours, theirs = (one(*given) for one in pair)
    assert repr(ours) == repr(theirs)
    assert vars(ours) == vars(theirs)
    assert dataclasses.asdict(dataclasses.replace(ours, name="b")) == dataclasses.asdict(
        dataclasses.replace(theirs, name="b")
    )
    assert [f.name for f in dataclasses.fields(ours)] == [f.name for f in dataclasses.fields(theirs)]
    assert pair[0].__match_args__ == pair[1].__match_args__
    assert pair[0].__init__.__qualname__ == pair[1].__init__.__qualname__


def test_each_has_its_own_default(pair: Any) -> None:
    ours = pair[0]
    assert ours("a").tags is not ours("a").tags


def test_equality_and_hash_go_by_class_and_values(pair: Any) -> None:
    ours, other = pair
    assert ours("a", 1.0, ("x",)) == ours("a", 1.0, ("x",)) != ours("a", 2.0, ("x",))
    assert ours("a") != other("a")
    assert ours("a").__eq__(1) is NotImplemented
    assert hash(ours("a", 1.0, ("x",))) == hash(other("a", 1.0, ("x",)))


def test_nothing_is_changed_afterwards(pair: Any) -> None:
    for one in (made("a") for made in pair):
        with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'name'"):
            one.name = "b"
        with pytest.raises(dataclasses.FrozenInstanceError, match="cannot delete field 'name'"):
            del one.name


def test_what_is_checked_and_what_is_missing_is_refused_alike(pair: Any) -> None:
    for made in pair:
        with pytest.raises(ValueError, match="area"):
            made("a", -1.0)
        with pytest.raises(TypeError, match="missing 1 required positional argument: 'name'"):
            made()


def test_other_kinds_are_left_to_dataclasses() -> None:
    with pytest.raises(ValueError, match="frozen must be True"):
        records.dataclass(frozen=False)


@records.dataclass(frozen=True)
class Kept:
    """One that can be pickled, by its name."""

    value: int


def test_it_is_kept_and_read_again() -> None:
    assert pickle.loads(pickle.dumps(Kept(3))) == Kept(3)
