"""Parsed data back to the text of a TOML file, without comments: tomllib only reads."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any


def toml_of(data: Mapping[str, Any]) -> str:
    """A text that tomllib reads as this data: texts, numbers, true and false, lists and tables of them.

    Raises TypeError for what is none of these.

    >>> print(toml_of({"protocol": "p", "steps": [{"kind": "dwell", "for_min": 5}]}), end="")
    "protocol" = "p"
    "steps" = [{"kind" = "dwell", "for_min" = 5}]
    """
    return "".join(f"{_text(key)} = {_value(value)}\n" for key, value in data.items())


def _value(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return _text(value)
        case int():
            return str(value)
        case float():
            return repr(value) if math.isfinite(value) else str(value)
        case list() | tuple():
            return f"[{', '.join(map(_value, value))}]"
        case Mapping():
            return f"{{{', '.join(f'{_text(key)} = {_value(inner)}' for key, inner in value.items())}}}"
        case _:
            raise TypeError(f"no value of a TOML file that is known here: {value!r}")


def _text(text: str) -> str:
    # JSON writes texts as TOML does, but for one control code that it lets stand.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
