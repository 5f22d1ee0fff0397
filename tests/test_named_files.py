"""Files by name: shipped ones, a person's own before them, and plain words when there is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.errors import FileProblems, InputError, NotFound
from benchd.named_files import find_bench, find_protocol, kind_of
from benchd.toml_source import parse


@pytest.fixture(autouse=True)
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "config" / "benchd"


def put(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def test_a_shipped_protocol_goes_by_name_without_a_note() -> None:
    found = find_protocol("overnight")
    assert 'protocol = "overnight"' in found.text
    assert found.file.endswith("overnight.toml")
    assert found.note == ""


def test_a_shipped_bench_goes_by_name() -> None:
    assert 'bench = "simulated"' in find_bench("simulated").text


def test_an_own_protocol_comes_first_and_that_is_said(config: Path) -> None:
    shipped = find_protocol("quick").file
    own = put(config / "protocols" / "quick.toml", 'protocol = "mine"')
    found = find_protocol("quick")
    assert found.text == 'protocol = "mine"'
    assert found.note == f"protocol quick: your own file {own}, not the shipped one ({shipped})"
    assert found.file == str(own)


def test_an_own_bench_is_named_as_own(config: Path) -> None:
    own = put(config / "benches" / "cellar.toml", 'bench = "cellar"')
    assert find_bench("cellar").note == f"bench cellar: your own file {own}"
    with pytest.raises(NotFound, match="there are: cellar, simulated, simulated_processor, wired; or give a path"):
        find_bench("celar")


def test_the_home_folder_is_used_unless_the_variable_holds_a_whole_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path / ".config" / "benchd" / "protocols" / "mine.toml", "x = 1")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", "config")
    assert find_protocol("mine").text == "x = 1"


def test_a_path_is_taken_as_it_stands(tmp_path: Path) -> None:
    path = put(tmp_path / "quick.toml", "x = 1")
    found = find_protocol(str(path))
    assert (found.text, found.file, found.note) == ("x = 1", str(path), "")


def test_an_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(NotFound) as caught:
        find_protocol("overnite")
    assert caught.value.message == "there is no protocol named 'overnite'"
    assert caught.value.hint.startswith("did you mean overnight? by name there are: break_in, fan_sweep, mount_check, ")


def test_a_path_to_nothing_lists_what_goes_by_name(tmp_path: Path) -> None:
    with pytest.raises(NotFound) as caught:
        find_protocol(str(tmp_path / "overnight.toml"))
    assert caught.value.message == f"there is no file {tmp_path}/overnight.toml"
    assert "did you mean overnight?" in caught.value.hint


@pytest.mark.parametrize("name", ["", ".", "..", "../quick", "a\0b", "x" * 5000, "quick/", "/"])
def test_an_odd_name_is_plainly_refused(name: str) -> None:
    with pytest.raises(InputError):
        find_protocol(name)


def test_a_folder_in_the_place_of_an_own_file_is_plainly_refused(config: Path) -> None:
    (config / "protocols" / "quick.toml").mkdir(parents=True)
    with pytest.raises(InputError, match="is a folder, not a file"):
        find_protocol("quick")


@pytest.mark.parametrize(("text", "kind"), [('protocol = "p"\nbench = 1', "protocol"), ('bench = "b"', "bench")])
def test_the_first_key_says_what_a_file_is(text: str, kind: str) -> None:
    assert kind_of(parse(text, "f.toml"), "f.toml") == kind


def test_a_file_that_is_neither_is_refused_at_its_head() -> None:
    with pytest.raises(FileProblems) as caught:
        kind_of(parse('name = "x"\nbench = "b"', "f.toml"), "f.toml")
    assert str(caught.value).startswith("f.toml:1:1: neither a protocol nor a bench file; begin it with")
