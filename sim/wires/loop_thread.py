"""A loop in a thread of its own, for servers that answer a caller who blocks. Knows no server."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from typing import Any, TypeAlias, TypeVar

T = TypeVar("T")

#: Runs a coroutine on the loop and gives what it returns.
Run: TypeAlias = Callable[[Coroutine[Any, Any, Any]], Any]


@contextmanager
def loop_thread() -> Iterator[Run]:
    """A loop under way, as what runs coroutines on it; neither thread nor task is left behind.

    >>> with loop_thread() as run:
    ...     run(asyncio.sleep(0, "done"))
    'done'
    """
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="loop of simulated wires")
    thread.start()

    def run(work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, loop).result(10)

    async def end_all() -> None:
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    try:
        yield run
    finally:
        run(end_all())
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()
