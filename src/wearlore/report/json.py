"""Any frozen result -> JSON text: the one serializer behind every ``--json`` and the interface for programs.

Objects carry the fields of the result under their own names, in km, N·m, hours and the book's currency whatever the
reader's units. A distance or an interval end that nothing bounds is ``null`` and its name stands in the object's
``unbounded``; inside an array ``null`` means the same. What is absent is ``null`` without being named there.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Set
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum
from math import isinf, isnan
from pathlib import PurePath
from typing import Any

import numpy as np
from pydantic import BaseModel


def to_json(result: object) -> str:
    """``result`` as indented JSON; the same result gives the same text.

    Raises TypeError for a value that is no result and ValueError for NaN, which no result may hold.
    """
    return json.dumps(_plain(result), ensure_ascii=False, indent=2, allow_nan=False)


def _plain(value: Any) -> Any:
    match value:
        case None | bool() | int() | str() if not isinstance(value, Enum):
            return value
        case float() | np.floating():
            return _number(float(value))
        case Enum():
            return _plain(value.value)
        case np.bool_() | np.integer() | np.ndarray():
            return _plain(value.tolist())
        case date():
            return value.isoformat()
        case PurePath():
            return str(value)
        case Mapping():
            return _mapping(value)
        case Set():
            return sorted((_plain(one) for one in value), key=lambda one: json.dumps(one, sort_keys=True))
        case list() | tuple():
            return [_plain(one) for one in value]
    return _object(_members(value))


def _members(value: Any) -> dict[str, Any]:
    """The public fields of a result: those that it prints; functions that it carries hold no data."""
    if isinstance(value, BaseModel):
        names = list(type(value).model_fields)
    elif is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in fields(value) if field.repr]
    else:
        raise TypeError(f"{type(value).__name__} is no part of a result")
    members = {name: getattr(value, name) for name in names if not name.startswith("_")}
    return {name: member for name, member in members.items() if isinstance(member, type) or not callable(member)}


def _number(value: float) -> float | None:
    if isnan(value):
        raise ValueError("a result holds NaN")
    return None if isinf(value) else value


def _object(members: Mapping[str, Any]) -> dict[str, Any]:
    unbounded = [name for name, value in members.items() if isinstance(value, float | np.floating) and isinf(value)]
    plain = {name: _plain(value) for name, value in members.items()}
    return {**plain, "unbounded": unbounded} if unbounded else plain


def _mapping(mapping: Mapping[Any, Any]) -> Any:
    """An object when the keys are words or numbers; else a list of key and value."""
    keys = [key.value if isinstance(key, Enum) else key for key in mapping]
    if all(isinstance(key, str | int | date) for key in keys):
        names = [key.isoformat() if isinstance(key, date) else str(key) for key in keys]
        return _object(dict(zip(names, mapping.values(), strict=True)))
    return [_object({"key": key, "value": value}) for key, value in mapping.items()]
