"""The pseudo-terminal of a simulated device, and what two speeds make of each other's bytes."""

import asyncio
import contextlib
import os
import termios

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from sim.wires.speeds import misread
from sim.wires.terminal import Terminal

LINE = b"41.2 dBA\r\n"


def talked(baud, others_baud, send=LINE):
    """What somebody at another speed receives, and what of the same the device receives from there."""

    async def talk():
        taken = []
        terminal = Terminal(taken.append, baud)
        with serial.Serial(terminal.path, others_baud, timeout=0) as port:
            terminal.send(send)
            received = port.read(1000)
            port.write(send)
            await asyncio.sleep(0.02)
        terminal.close()
        return received, b"".join(taken)

    return asyncio.run(talk())


def test_at_the_same_speed_everything_comes_through():
    assert talked(9600, 9600) == (LINE, LINE)


def test_a_device_that_understands_any_speed():
    assert talked(None, 115200) == (LINE, LINE)


def test_at_another_speed_neither_side_understands_the_other():
    received, taken = talked(9600, 4800)
    assert received == misread(LINE, 9600, 4800) != LINE
    assert taken == misread(LINE, 4800, 9600) != LINE


def test_what_nobody_reads_is_lost_and_costs_no_time():
    async def send():
        terminal = Terminal(print)
        for _ in range(5000):
            terminal.send(LINE)
        terminal.close()
        terminal.close()

    asyncio.run(send())


def test_a_terminal_that_does_not_listen_takes_what_has_piled_up_afterwards():
    async def talk():
        taken = []
        terminal = Terminal(taken.append)
        terminal.listen(False)
        with serial.Serial(terminal.path, timeout=0) as port:
            port.write(LINE)
            await asyncio.sleep(0.02)
            before = list(taken)
            terminal.listen(True)
            await asyncio.sleep(0.02)
        terminal.close()
        return before, taken

    assert asyncio.run(talk()) == ([], [LINE])


def test_a_closed_terminal_is_gone_for_whoever_had_it_open():
    async def pull():
        terminal = Terminal(print)
        file = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        terminal.close()
        try:
            with contextlib.suppress(OSError):
                return os.read(file, 10)
            return b""
        finally:
            os.close(file)

    assert asyncio.run(pull()) == b""


def test_lines_are_not_changed_on_their_way():
    """Neither echo nor the translation of line ends that a terminal for people has."""

    async def attributes():
        terminal = Terminal(print)
        file = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
        found = termios.tcgetattr(file)
        os.close(file)
        terminal.close()
        return found

    iflag, oflag, _, lflag, *_ = asyncio.run(attributes())
    assert not iflag & termios.ICRNL
    assert not oflag & termios.OPOST
    assert not lflag & (termios.ECHO | termios.ICANON)


@given(data=st.binary(max_size=50), baud=st.sampled_from([1200, 9600, 115200]))
def test_one_speed_for_both_changes_nothing(data, baud):
    assert misread(data, baud, baud) == data


@given(data=st.binary(min_size=1, max_size=50), speeds=st.permutations([2400, 4800, 9600, 19200, 115200]))
def test_a_faster_receiver_sees_at_least_as_many_bytes_as_a_slower_one(data, speeds):
    sent, one, other = speeds[:3]
    slow, fast = sorted((one, other))
    assert len(misread(data, sent, slow)) <= len(misread(data, sent, fast))


@pytest.mark.parametrize(("byte", "bits"), [(0x55, 0b01100110), (0x00, 0b00000000), (0xFF, 0b11111110)])
def test_at_twice_the_speed_the_first_byte_has_each_bit_twice(byte, bits):
    """Worked out by hand: start 0, then the start bit again, then each data bit twice, the lowest first."""
    assert misread(bytes([byte]), 4800, 9600)[0] == bits
