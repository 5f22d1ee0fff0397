"""The child's process: `python -m benchd.service.child OPTIONS`, started by the guard and by nobody else."""

from __future__ import annotations

import json
import sys

from benchd.service.daemon import Options, serve

if __name__ == "__main__":
    sys.exit(serve(Options(**json.loads(sys.argv[1]))))
