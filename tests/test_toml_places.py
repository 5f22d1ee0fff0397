"""The locator, against a file that uses everything TOML has, and against random data written out as TOML."""

from __future__ import annotations

import tomllib
from random import Random
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchd.toml_places import Path, Places

TRICKY = r'''# a comment with [brackets] and key = 1
title = "a # no comment" # a comment
"odd key" = 'C:\no\escape'
"esc\u0061ped\"" = 1
a.b."c.d" = 2
long = """
[not.a.table]
key = "x" \
""""
raw = """"""
lines = [ # a comment ]
  1, 2, # 3
  "three, [", """four
  five""",
  { x = 6, y.z = [7, 8] }, [ [ 9 ] ],
]
when = 1979-05-27 07:32:00Z

[ servers . "alpha one" ]
ip = '10.0.0.1'

[[steps]]
kind = "first"
[[steps.parts]]
n = 1
[[steps.parts]]
n = 2
[steps.parts.deep]
m = 3
[[steps]]
kind = "second"
equilibrium = { change_k = 0.2 }
[steps.limits]
c = 90
'''


@pytest.mark.parametrize(
    ("path", "key", "value"),
    [
        (("title",), 2, '"a # no comment"'),
        (("odd key",), 3, r"'C:\no\escape'"),
        (('escaped"',), 4, "1"),
        (("a", "b", "c.d"), 5, "2"),
        (("long",), 6, '"""'),
        (("raw",), 10, '""""""'),
        (("lines", 1), 12, "2, # 3"),
        (("lines", 2), 13, '"three, ["'),
        (("lines", 3), 13, '"""four'),
        (("lines", 4, "x"), 15, "6"),
        (("lines", 4, "y", "z", 1), 15, "8]"),
        (("lines", 5, 0, 0), 15, "9 ]"),
        (("when",), 17, "1979-05-27 07:32:00Z"),
        (("servers", "alpha one"), 19, '[ servers . "alpha one" ]'),
        (("servers",), 19, "[ servers"),
        (("servers", "alpha one", "ip"), 20, "'10.0.0.1'"),
        (("steps", 0, "kind"), 23, '"first"'),
        (("steps", 0, "parts", 1), 26, "[[steps.parts]]"),
        (("steps", 0, "parts", 1, "n"), 27, "2"),
        (("steps", 0, "parts", 1, "deep", "m"), 29, "3"),
        (("steps", 1), 30, "[[steps]]"),
        (("steps", 1, "equilibrium", "change_k"), 32, "0.2"),
        (("steps", 1, "limits", "c"), 34, "90"),
    ],
)
def test_a_value_is_found_in_a_tricky_file(path: Path, key: int, value: str) -> None:
    tomllib.loads(TRICKY)
    line, column = Places(TRICKY).value(path)
    assert line == key
    assert TRICKY.split("\n")[line - 1][column - 1 :].startswith(value)


@pytest.mark.parametrize(
    ("path", "place"),
    [
        (("a", "b", "c.d"), (5, 5)),
        (("lines", 4, "y"), (15, 12)),
        (("lines", 4, "y", "z"), (15, 14)),
        (("servers", "alpha one"), (19, 13)),
        (("steps", 0, "parts"), (24, 9)),
        (("steps", 1, "limits", "c"), (34, 1)),
    ],
)
def test_a_key_is_found_in_a_tricky_file(path: Path, place: tuple[int, int]) -> None:
    assert Places(TRICKY).key(path) == place


@pytest.mark.parametrize(
    ("path", "place"),
    [
        (("absent",), (1, 1)),
        (("steps", 1, "equilibrium", "absent"), (32, 15)),
        (("steps", 1, "limits", "absent", "deeper"), (33, 1)),
        (("steps", 7), (22, 1)),
        (("lines", 99), (11, 9)),
    ],
)
def test_what_is_absent_is_placed_at_the_table_around_it(path: Path, place: tuple[int, int]) -> None:
    assert Places(TRICKY).value(path) == place


def test_windows_line_ends_and_tabs_do_not_move_places() -> None:
    assert Places('a = 1\r\n\tb = "x"\r\n').value(("b",)) == (2, 6)


@given(st.text(alphabet="ab.=[]{}\"',#\\\n \t1", max_size=60))
@example(r'"\1"')  # looks like a key, and holds an escape that TOML has not got
@example('a = ["')  # a list in which nothing comes to an end
def test_text_that_is_not_toml_neither_raises_nor_hangs(text: str) -> None:
    line, column = Places(text).value(("a",))
    assert line >= 1
    assert column >= 1


# --- random data, written out in random style


KEYS = st.sampled_from(["a", "b_c", "d-1", "7", "odd key", "dot.ted", 'quo"te', "tab\t", "ä", ""])
SCALARS = st.sampled_from(
    [
        *("1", "-2.5", "1e6", "true", "nan", "-inf", "0xff", '"x"', '"a, ]}#"', "'lit = 1'", '""', '"\\" \\\\"'),
        *('"""multi\nline # "" x"""', "'''raw\n\\'''", '"""quotes"""""'),
        *("1979-05-27", "1979-05-27 07:32:00.5", "07:32:00"),
    ]
)
TREES = st.dictionaries(
    KEYS,
    st.recursive(
        SCALARS,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
        max_leaves=12,
    ),
    max_size=4,
)


class Writer:
    """Writes a tree of scalars' texts as TOML, choosing freely among the ways TOML has."""

    def __init__(self, random: Random) -> None:
        self._random = random

    def key(self, key: str) -> str:
        plain = key.replace("-", "").replace("_", "").isalnum() and key.isascii()
        if plain and self._random.random() < 0.8:
            return key
        if '"' not in key and "\t" not in key and self._random.random() < 0.5:
            return f"'{key}'"
        return '"' + key.replace('"', '\\"').replace("\t", "\\t") + '"'

    def inline(self, value: Any) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{self.key(k)} = {self.inline(v)}" for k, v in value.items()) + "}"
        if isinstance(value, list):
            gap = self._random.choice([" ", "\n  ", " # ], a comment\n"])
            return f"[{gap}" + "".join(f"{self.inline(entry)},{gap}" for entry in value) + "]"
        return str(value)

    def table(self, tree: dict[str, Any], header: str) -> str:
        lines, later = [], []
        for key, value in tree.items():
            name = self.key(key)
            full = f"{header}.{name}" if header else name
            if isinstance(value, dict) and self._random.random() < 0.6:
                later.append(f"[{full}]\n{self.table(value, full)}")
            elif isinstance(value, list) and value and all(isinstance(v, dict) for v in value):
                later += [f"[[ {full} ]]\n{self.table(entry, full)}" for entry in value]
            elif isinstance(value, dict) and value and self._random.random() < 0.5:
                lines += [f"{name} . {self.key(k)} = {self.inline(v)}" for k, v in value.items()]
            else:
                lines.append(f"  {name}={self.inline(value)} # {key.encode()!r}")
        return "\n".join([*lines, *later, ""])


def leaves(tree: Any, path: Path = ()) -> list[tuple[Path, str]]:
    inner: list[tuple[str | int, Any]]
    if isinstance(tree, dict):
        inner = list(tree.items())
    elif isinstance(tree, list):
        inner = list(enumerate(tree))
    else:
        return [(path, tree)]
    return [leaf for part, value in inner for leaf in leaves(value, (*path, part))]


@given(TREES, st.randoms(use_true_random=False))
def test_every_scalar_stands_where_it_is_said_to_stand(tree: dict[str, Any], random: Random) -> None:
    text = Writer(random).table(tree, "")
    tomllib.loads(text)
    places = Places(text)
    lines = text.split("\n")
    for path, scalar in leaves(tree):
        line, column = places.value(path)
        rest = "\n".join([lines[line - 1][column - 1 :], *lines[line:]])
        assert rest.startswith(scalar), (path, text)
