"""TAB knows the specimens in the books of the daemon that answers."""

from __future__ import annotations

import os
import subprocess
import sys


def test_specimens_in_the_books_are_offered(serve) -> None:
    daemon = serve()
    daemon.ask("POST", "/specimens", {"name": "slate low", "cooling": "air", "note": ""})
    words = ["benchd", "queue", "quick", "--specimen", "sla"]
    environment = {**os.environ, "_BENCHD_COMPLETE": "bash_complete", "BENCHD_SOCKET": str(daemon.socket)}
    environment |= {"COMP_WORDS": "\n".join(words), "COMP_CWORD": "4"}
    told = subprocess.run(
        [sys.executable, "-m", "benchd"], env=environment, capture_output=True, text=True, timeout=30, check=False
    )
    assert (told.stdout, told.stderr) == ("plain,slate\\\\ low\n", "")
    assert daemon.stop() == -15
