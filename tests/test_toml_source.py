"""Reading and parsing: whatever is wrong with a file, a person hears it plainly and with its place."""

from __future__ import annotations

import codecs
import contextlib
import os
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.errors import FileProblems, InputError, NotFound
from benchd.toml_source import LIMIT_BYTES, load, parse, read


def refusal(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse(text, "f.toml")
    return str(caught.value)


def test_a_file_is_read_and_parsed(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_text("a = 1\n")
    loaded = load(path)
    assert (loaded.file, loaded.text, loaded.data) == (str(path), "a = 1\n", {"a": 1})


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\n")
    assert load(path).data == {"a": 1}


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match=r"there is no file .*absent\.toml"):
        read(tmp_path / "absent.toml")


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder, not a file"):
        read(tmp_path)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_text("a = 1")
    path.chmod(0)
    with pytest.raises(InputError, match="cannot be read: Permission denied"):
        read(path)


def test_a_pipe_is_refused_without_waiting_for_its_writer(tmp_path: Path) -> None:
    path = tmp_path / "pipe.toml"
    os.mkfifo(path)
    with pytest.raises(InputError, match="is not a plain file"):
        read(path)


@pytest.mark.parametrize("path", ["a\0b.toml", "x" * 5000 + ".toml"])
def test_an_impossible_path_is_refused(path: str) -> None:
    with pytest.raises(InputError):
        read(path)


def test_a_large_file_is_refused_before_it_is_parsed(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_bytes(b"= nonsense\n" * 1_000_000)
    with pytest.raises(InputError, match=r"has 11\.0 MB, at most 1 MB are read"):
        load(path)


def test_large_text_is_refused_before_it_is_parsed() -> None:
    assert "has 10.0 MB, at most 1 MB are read" in refusal("#" * 10_000_000)


def test_bytes_that_are_not_text_are_refused_at_their_line(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_bytes(b"a = 1\nb = '\xe4'\n")
    with pytest.raises(FileProblems) as caught:
        read(path)
    assert str(caught.value) == f"{path}:2:6: not UTF-8 text: byte 0xe4; save the file as UTF-8"


def test_a_zero_byte_is_refused_at_its_line(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_bytes(b"a = 1\n\x00\x01")
    with pytest.raises(FileProblems, match=r":2:1: not a text file: a zero byte stands here"):
        read(path)


@pytest.mark.parametrize("text", ["", " \n\t\n"])
def test_an_empty_file_is_refused(text: str) -> None:
    assert refusal(text) == "f.toml:1:1: the file is empty"


SECOND_TIME = "stands here a second time"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "a = soak",
            '1:5: not a value; allowed: a number, true, false, "text" in quotes, a list in [ ], a table in { }',
        ),
        ("a = 0,5", "1:6: something is left over after the value; a number takes a point, no comma"),
        ("a = 1 b = 2", "1:7: something is left over after the value; a number takes a point, no comma"),
        ("\n= 1", '2:1: neither a [table] nor a line of the form "key = value"'),
        ("a 1", '1:3: an "=" must follow the key'),
        ("a.=1", "1:3: a key is missing here; allowed in it: letters, digits, _ and -"),
        ("[a\nb = 1", "1:3: the table's header is not closed; write [name] or [[name]]"),
        ("[[a]\n", "1:4: the table's header is not closed; write [name] or [[name]]"),
        ("a = 1\na = 2\n", f"2:1: this key {SECOND_TIME}"),
        ("[t]\n  a = 1\n  a.b = 2", f"3:3: this key {SECOND_TIME}"),
        ("[a]\n\n[a]\n", f"3:1: this table {SECOND_TIME}"),
        ("a = {b = 1, b = 2}", "1:18: a key stands twice in one { }"),
        ("a = [1, 2\n\n", "1:10: a list is not closed, or a comma is missing in it"),
        ("a = [1 2]", "1:8: a list is not closed, or a comma is missing in it"),
        ("a = {b = 1\n}", "1:11: a { } is not closed on its line, or a comma is missing in it"),
        ('a = "x\n', "1:7: a text in quotes is not closed on its line"),
        ("a = 'x\n", "1:7: a text in single quotes is not closed"),
        ('a = """x', "1:9: a text is not closed"),
        (r'a = "C:\data"', "1:10: a single backslash in a text; write two, or put the text in 'single quotes'"),
        (r'a = "\uD800"', "1:12: a backslash code in a text names no character"),
        (r'a = "\u12"', "1:8: a backslash code in a text is not one; write two backslashes for one"),
        ('a = "\x01"', "1:6: a character that is not allowed here"),
        ("a = 2026-02-30", "1:5: no such date or time"),
        ("a = 1\nb = " + "9" * 5000, "2:5: a number has too many digits"),
        (".".join("k" * 40) + " = 1", "1:1: a key of more than 32 parts"),
        ("a = 1\nb = " + "[" * 5000, "2:1: lists or tables are nested too deeply"),
        ("a = 1\nb = " + "{a=" * 5000, "2:1: lists or tables are nested too deeply"),
        ("a = 1\nb = '\ud800'", "2:6: not a character: code 0xd800"),
    ],
)
def test_text_that_is_not_toml_is_explained_at_its_place(text: str, line: str) -> None:
    assert refusal(text) == f"f.toml:{line}"


@given(st.text(max_size=200))
def test_any_text_is_parsed_or_plainly_refused(text: str) -> None:
    with contextlib.suppress(InputError):
        assert isinstance(parse(text, "f.toml"), dict)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_plainly_refused(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    path = tmp_path_factory.mktemp("raw", numbered=True) / "f.toml"
    path.write_bytes(raw)
    with contextlib.suppress(InputError):
        assert load(path).text.encode() == raw.removeprefix(codecs.BOM_UTF8)


def test_a_long_dotted_key_does_not_hang() -> None:
    begun = time.monotonic()
    assert "more than 32 parts" in refusal("a." * (LIMIT_BYTES // 2 - 10) + "a = 1")
    assert "more than 32 parts" in refusal('"a" . ' * 100_000 + "a = 1")
    assert time.monotonic() - begun < 5


def test_a_long_word_does_not_hang() -> None:
    begun = time.monotonic()
    refusal("a" * LIMIT_BYTES)
    refusal('"' * (LIMIT_BYTES - 1))
    assert time.monotonic() - begun < 5
