"""One file a kind of step. `KINDS` says which generator plays which kind."""
