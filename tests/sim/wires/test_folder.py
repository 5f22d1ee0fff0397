"""The folder of a served bench: stable names, one process at a time."""

import os

import pytest

from sim.wires.folder import PORTS_FILE, Folder


@pytest.fixture
def folder(tmp_path):
    made = Folder(tmp_path / "wires")
    yield made
    made.close()


def test_it_is_for_its_user_alone(folder):
    assert folder.path.stat().st_mode & 0o777 == 0o700


def test_a_name_leads_elsewhere_from_one_moment_to_the_next(folder):
    folder.link("meter", "/dev/pts/1")
    folder.link("meter", "/dev/pts/2")
    assert os.readlink(folder.path / "meter") == "/dev/pts/2"
    folder.unlink("meter")
    folder.unlink("meter")
    assert not os.path.lexists(folder.path / "meter")


def test_a_second_process_is_refused_until_the_first_has_ended(folder):
    with pytest.raises(OSError, match="another process serves a bench in"):
        Folder(folder.path)
    folder.close()
    Folder(folder.path).close()


def test_it_is_left_clean_and_files_that_are_not_its_own_stay(folder):
    (folder.path / "mine").write_text("x")
    folder.link("meter", "/dev/pts/1")
    folder.write_ports({"supply": 5025})
    folder.close()
    folder.close()
    assert sorted(path.name for path in folder.path.iterdir()) == [".lock", "mine"]


def test_what_a_killed_process_has_left_is_cleared(tmp_path):
    (tmp_path / "meter").symlink_to("/dev/pts/9999")
    (tmp_path / PORTS_FILE).write_text("control = 1\n")
    folder = Folder(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [".lock"]
    folder.close()


def test_a_link_in_its_place_is_not_followed(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "wires").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError, match="belongs to somebody else"):
        Folder(tmp_path / "wires")
