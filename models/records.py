"""Frozen records as `dataclasses.dataclass(frozen=True)` makes them, in a third of its time.

An evening loads some 230 records. `dataclasses` writes six methods for each and compiles them one by one, which is a
twelfth of an evening of 150 zones. Five of the six are the same for every class: they stand here once, and
`__init__` alone is written. What a record does is the same (`tests/models/test_records.py`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

Record = TypeVar("Record")

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass
else:

    def dataclass(*, frozen: bool) -> Callable[[type[Record]], type[Record]]:
        """Make a class a frozen dataclass: arguments, `replace`, `fields`, equality, hash and text are the same.

        `field` may give a default, a factory and `repr`; every other kind of class is left to `dataclasses`,
        and so is what the command line loads before it sets the number of threads: `models` loads numpy.
        """
        if not frozen:
            raise ValueError("frozen must be True: dataclasses.dataclass makes the others")
        return _record


def _record(cls: Any) -> Any:
    cls.__doc__ = cls.__doc__ or cls.__name__  # else dataclasses looks for a signature to show
    made = dataclasses.dataclass(init=False, repr=False, eq=False)(cls)
    for name, method in {"__init__": _init(made), **METHODS}.items():
        setattr(made, name, method)
    return made


def _init(cls: type[Any]) -> Any:
    """`__init__` of a record: what is not given has its default, then `__post_init__`, where there is one."""
    names: dict[str, Any] = {"_set": object.__setattr__}
    arguments, lines = ["self"], []
    for one in dataclasses.fields(cls):
        argument, value = one.name, one.name
        if one.default_factory is not dataclasses.MISSING:
            names[f"_made_{one.name}"] = one.default_factory
            names["_left_out"] = dataclasses.MISSING
            argument, value = f"{one.name}=_left_out", f"_made_{one.name}() if {one.name} is _left_out else {one.name}"
        elif one.default is not dataclasses.MISSING:
            names[f"_default_{one.name}"] = one.default
            argument = f"{one.name}=_default_{one.name}"
        arguments.append(argument)
        lines.append(f" _set(self, {one.name!r}, {value})")
    if hasattr(cls, "__post_init__"):
        lines.append(" self.__post_init__()")
    exec(f"def __init__({', '.join(arguments)}):\n" + ("\n".join(lines) or " pass"), names)  # as dataclasses does
    method = names["__init__"]
    method.__qualname__ = f"{cls.__qualname__}.__init__"
    return method


def _values(record: Any) -> tuple[Any, ...]:
    return tuple(getattr(record, name) for name in record.__match_args__)


def _text(self: Any) -> str:
    shown = (f"{one.name}={getattr(self, one.name)!r}" for one in dataclasses.fields(self) if one.repr)
    return f"{type(self).__qualname__}({', '.join(shown)})"


def _equal(self: Any, other: object) -> Any:
    return _values(self) == _values(other) if type(self) is type(other) else NotImplemented


def _hash(self: Any) -> int:
    return hash(_values(self))


def _set(self: Any, name: str, _: object) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _delete(self: Any, name: str) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


METHODS = {"__repr__": _text, "__eq__": _equal, "__hash__": _hash, "__setattr__": _set, "__delattr__": _delete}
