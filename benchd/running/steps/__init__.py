"""One file a family of steps; `kinds.py` says which generator plays which kind."""
