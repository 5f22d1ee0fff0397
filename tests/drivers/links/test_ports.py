"""The serial ports of a machine in words, on pseudo-terminals and a folder of names."""

import errno
import grp
import os

import pytest

from drivers.links import ports
from drivers.links.ports import holders, serial_ports, what_to_try, why_not


@pytest.fixture
def pty():
    files = os.openpty()
    yield os.ttyname(files[1])
    for file in files:
        os.close(file)


def test_no_right_names_the_group(pty):
    error = OSError(errno.EACCES, "Permission denied")
    assert why_not(pty, error) == "no right to use this serial port"
    group = grp.getgrgid(os.stat(pty).st_gid).gr_name
    assert what_to_try(pty, error) == f"it belongs to the group {group}: add the user to it and log in anew"


@pytest.mark.parametrize("number", [errno.EBUSY, errno.EAGAIN])
def test_busy_names_who_holds_it_however_it_holds_it(pty, number):
    assert why_not(pty, OSError(number, "busy")) == "the serial port is in use by this program itself"


def test_busy_by_somebody_who_cannot_be_seen_says_so(monkeypatch, pty):
    monkeypatch.setattr(ports, "holders", lambda _: [])
    assert "another user" in why_not(pty, OSError(errno.EBUSY, "busy"))


def test_what_is_not_known_is_told_as_it_came(pty):
    error = OSError(errno.EIO, "Input/output error")
    assert "Input/output error" in why_not(pty, error)
    assert "baud" in what_to_try(pty, error)


def test_nobody_holds_what_is_not_open():
    assert holders("/dev/none") == []


def test_ports_are_listed_by_the_name_that_stays(tmp_path, pty):
    (tmp_path / "usb-sound_meter_0001-if00").symlink_to(pty)
    (tmp_path / "usb-unplugged-if00").symlink_to("/dev/none")
    first, second = serial_ports(tmp_path)[:2]
    assert first.path == str(tmp_path / "usb-sound_meter_0001-if00")
    assert first.what == f"serial port ({pty}): in use by this program itself"
    assert second.what == "serial port (/dev/none): gone"


def test_a_machine_without_the_folder_has_the_ports_that_it_has(tmp_path):
    assert all(port.path.startswith("/dev/") for port in serial_ports(tmp_path / "nothing"))
