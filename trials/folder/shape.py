"""Whether plain values, as JSON gives them, have the shape of a dataclass that was written as such."""

from __future__ import annotations

from dataclasses import MISSING, Field, fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints, is_typeddict

_HOLDS: dict[Any, tuple[type, ...]] = {
    float: (int, float),
    int: (int,),
    str: (str,),
    bool: (bool,),
    NoneType: (NoneType,),
}


def fits(value: Any, kind: Any) -> bool:
    """Whether a value has the shape of a type.

    Parameters
    ----------
    kind : a dataclass or a typed mapping, for which a mapping stands that may lack what need not be there and hold
        more; a tuple, for which a list stands; a union, a literal, or one of float, int, str, bool and None.
    """
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        return any(fits(value, one) for one in inner)
    if origin is Literal:
        return isinstance(value, str) and value in inner
    if origin is tuple:
        if not isinstance(value, list):
            return False
        each = inner[:1] * len(value) if inner[-1] is ... else inner
        return len(each) == len(value) and all(fits(item, one) for item, one in zip(value, each, strict=True))
    if is_dataclass(kind) or is_typeddict(kind):
        return isinstance(value, dict) and all(
            fits(value[name], one) if name in value else not needed for name, (one, needed) in _fields(kind).items()
        )
    return isinstance(value, _HOLDS[kind]) and (kind is bool or not isinstance(value, bool))


@cache
def _fields(kind: Any) -> dict[str, tuple[Any, bool]]:
    """Return the type of each field, and whether it must be there."""
    from trials.costs import Costs  # the plan names these two for type checkers alone
    from trials.piece import Piece

    hints = get_type_hints(kind, localns={"Costs": Costs, "Piece": Piece})
    if is_typeddict(kind):
        return {name: (hint, name in kind.__required_keys__) for name, hint in hints.items()}
    return {field.name: (hints[field.name], _needed(field)) for field in fields(kind)}


def _needed(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING
