"""The pictures of the simulated bench: all there, the same bytes each time, a plain message for a mistake."""

from pathlib import Path

import matplotlib as mpl
import pytest

from sim.figures import draw, main

NAMES = ["effectiveness", "fans", "levels", "night", "pump-stall", "rise-over-level", "soak"]
PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("figures")
    return {path.stem: path.read_bytes() for path in draw(folder)}


def test_every_picture_is_drawn(drawn) -> None:
    assert sorted(drawn) == NAMES
    for picture in drawn.values():
        assert picture.startswith(PNG)
        assert len(picture) > 10_000


def test_again_gives_the_same_bytes_whatever_matplotlib_was_told_before(drawn, tmp_path, capsys) -> None:
    with mpl.rc_context({"font.size": 30.0, "axes.grid": False, "savefig.facecolor": "red"}):
        assert main(["--out", str(tmp_path)]) == 0
    assert {path.stem: path.read_bytes() for path in tmp_path.iterdir()} == drawn
    told = capsys.readouterr().out.splitlines()
    assert sorted(Path(line).stem for line in told) == NAMES


def test_a_folder_that_cannot_be_made_is_told_in_one_line(tmp_path, capsys) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(SystemExit) as ended:
        main(["--out", str(tmp_path / "file" / "nowhere")])
    told = capsys.readouterr().err
    assert ended.value.code == 2
    assert f"cannot draw into {tmp_path / 'file' / 'nowhere'}" in told
    assert "Traceback" not in told


def test_a_picture_that_cannot_be_written_is_told_in_one_line(tmp_path, capsys) -> None:
    (tmp_path / "fans.png").mkdir()
    with pytest.raises(SystemExit) as ended:
        main(["--out", str(tmp_path)])
    assert ended.value.code == 2
    assert f"cannot draw into {tmp_path}" in capsys.readouterr().err
