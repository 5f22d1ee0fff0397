"""A terminal that is drawn on: styles, its size, and an alternate screen that is left as it was found."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import termios
from collections.abc import Callable, Iterable, Iterator, Sequence
from types import FrameType

from benchd.report.screen import Line

#: When a terminal does not say how large it is, or says nonsense.
USUAL = (80, 24)
_STYLES = {"strong": "1", "quiet": "2", "good": "36", "alarm": "1;31"}
_ENTER, _LEAVE = "\x1b[?1049h\x1b[?25l", "\x1b[0m\x1b[?25h\x1b[?1049l"


def size() -> tuple[int, int]:
    """Width and height of the terminal on standard output [cells]."""
    try:
        width, height = os.get_terminal_size(sys.stdout.fileno())
    except (OSError, ValueError):
        return USUAL
    return (width or USUAL[0], height or USUAL[1])


def is_plain() -> bool:
    """Whether standard output cannot say all the letters of a picture, so that ASCII has to do."""
    try:
        "█▁…±°".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return True
    return False


def is_coloured() -> bool:
    """Whether styles are wanted: a terminal that knows them, and no NO_COLOR (https://no-color.org)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def written(line: Line, coloured: bool) -> str:
    """One line as it is sent."""
    if not coloured:
        return "".join(text for text, _ in line).rstrip()
    return "".join(f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if style and text else text for text, style in line)


class Screen:
    """The alternate screen, while somebody watches: `with Screen(lines) as screen: screen.draw()`.

    lines: what is to be seen on so many columns and rows [cells]; asked again whenever the terminal changes its size.
    """

    def __init__(self, lines: Callable[[int, int], Sequence[Line]]) -> None:
        self._lines = lines
        self._coloured = is_coloured()
        self._shown: list[str] = []
        self._size = (0, 0)
        self._drawing = False
        self._again = False
        self._modes: list[object] | None = None

    def draw(self) -> None:
        """Bring the screen up to date: only lines that have changed are sent."""
        if self._drawing:
            self._again = True
            return
        self._drawing = True
        try:
            self._draw()
            while self._again:
                self._again = False
                self._draw()
        finally:
            self._drawing = False

    def _draw(self) -> None:
        now = size()
        lines = [written(line, self._coloured) for line in self._lines(*now)]
        sent = ""
        if now != self._size:
            sent, self._shown, self._size = "\x1b[2J", [], now
        for row in range(max(len(lines), len(self._shown))):
            line = lines[row] if row < len(lines) else ""
            if row >= len(self._shown) or self._shown[row] != line:
                sent += f"\x1b[{row + 1};1H\x1b[2K{line}"
        self._shown = lines
        _send(sent)

    def _enter(self) -> None:
        self._modes = _without_echo()
        self._size = (0, 0)
        _send(_ENTER)

    def _leave(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            _send(_LEAVE)
        if self._modes is not None:
            with contextlib.suppress(termios.error, OSError, ValueError):
                termios.tcsetattr(sys.stdin.fileno(), termios.TCSAFLUSH, self._modes)  # type: ignore[arg-type] # its own list
            self._modes = None

    def _stop_for_a_while(self, *_: object) -> None:
        """Ctrl-Z: the shell finds its screen as it was; `fg` brings ours back."""
        self._leave()
        signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGTSTP)
        signal.signal(signal.SIGTSTP, self._stop_for_a_while)
        self._enter()
        self.draw()

    @contextlib.contextmanager
    def shown(self) -> Iterator[Screen]:
        """Take the terminal, and give it back as it was found, whatever happens."""
        handlers: dict[int, Callable[[int, FrameType | None], object]] = {
            signal.SIGWINCH: lambda *_: self.draw(),
            signal.SIGTSTP: self._stop_for_a_while,
            signal.SIGTERM: _end,
            signal.SIGHUP: _end,
        }
        before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
        try:
            self._enter()
            yield self
        finally:
            self._leave()
            for number, handler in before.items():
                signal.signal(number, handler)


def _end(number: int, _: object) -> None:
    raise SystemExit(128 + number)


def _send(text: str) -> None:
    if text:
        sys.stdout.write(text)
        sys.stdout.flush()


def _without_echo() -> list[object] | None:
    """What is typed does not disturb the picture. The modes there were; None when nobody types here."""
    try:
        modes = termios.tcgetattr(sys.stdin.fileno())
    except (termios.error, OSError, ValueError):
        return None
    quiet = [*modes]
    quiet[3] &= ~termios.ECHO
    termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, quiet)
    return modes


def say(lines: Iterable[Line]) -> None:
    """Print lines, and no more than that."""
    coloured = is_coloured()
    _send("".join(f"{written(line, coloured)}\n" for line in lines))
