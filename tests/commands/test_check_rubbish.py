"""Whatever a file holds, `benchd check` names what is wrong with it and never loses its temper."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import benchd
import protocols
from benchd.cli import run

FOLDERS = (Path(protocols.__file__).parent, Path(benchd.__file__).parent / "benches")
SHIPPED = {path.stem: path.read_text() for folder in FOLDERS for path in folder.glob("*.toml")}
PIECES = [
    *(
        "nan",
        "-inf",
        "1e400",
        "-0.0",
        "99999999999999999999",
        "true",
        '""',
        "[]",
        "{}",
        "[[]]",
        "1979-05-27",
        "07:32:00",
    ),
    *(
        '"\\u001b[31m"',
        '"[/bold]"',
        "'''",
        '"""',
        "\\",
        "\x00",
        "\x1b[2J",
        "\ud7ff",
        "é",
        "#",
        "=",
        ".",
        "[",
        "]",
        "\n",
    ),
    *(
        "[[steps]]",
        "[instruments.load]",
        'kind = "soak"',
        'driver = "modbus"',
        "heat_w",
        "noise_dba = [30]",
        "a.b.c = 1",
    ),
]


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("rubbish") / "file.toml"


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """A shipped file in which some lines or words were lost, doubled, exchanged or replaced."""
    text = SHIPPED[draw(st.sampled_from(sorted(SHIPPED)))]
    # Without comments most mutations meet something that matters.
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["drop", "double", "move", "word", "insert"])):
            case "drop" if len(lines) > 1:
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "move":
                lines.append(lines.pop(at))
            case "word":
                words = lines[at].split(" ")
                words[draw(st.integers(0, len(words) - 1))] = draw(st.sampled_from(PIECES) | st.text(max_size=20))
                lines[at] = " ".join(words)
            case _:
                lines.insert(at, draw(st.sampled_from(PIECES)))
    return "\n".join(lines)


def bears(capsys: pytest.CaptureFixture[str], *words: str) -> None:
    capsys.readouterr()
    status = run(list(words))
    said = capsys.readouterr()
    assert status in (0, 2), said.err
    assert bool(said.err) == (status == 2)
    for text in (said.out, said.err):
        assert "Traceback" not in text
        assert "a fault in benchd" not in text
        assert "\x1b" not in text


RUBBISH = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=300, derandomize=True)


@RUBBISH
@given(content=st.binary(max_size=300))
def test_any_bytes(capsys, file, content):
    file.write_bytes(content)
    bears(capsys, "check", str(file))


@RUBBISH
@given(content=st.text(max_size=300))
def test_any_text(capsys, file, content):
    file.write_text(content, encoding="utf-8", errors="surrogatepass", newline="")
    bears(capsys, "check", str(file))


@RUBBISH
@given(content=mutated())
def test_a_shipped_file_gone_wrong(capsys, file, content):
    file.write_text(content, encoding="utf-8", newline="")
    bears(capsys, "check", str(file))


@pytest.mark.slow
@settings(RUBBISH, max_examples=2000, derandomize=False)
@given(content=mutated())
def test_a_shipped_file_gone_wrong_in_many_ways(capsys, file, content):
    file.write_text(content, encoding="utf-8", newline="")
    bears(capsys, "check", str(file))


@RUBBISH
@given(name=st.text(max_size=40).filter(lambda name: not name.startswith("-") and "\0" not in name))
def test_any_name(capsys, name):
    capsys.readouterr()
    assert run(["check", "--", name]) in (0, 2)
    said = capsys.readouterr()
    assert "a fault in benchd" not in said.err
    assert "Traceback" not in said.err
