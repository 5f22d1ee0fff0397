"""One run on one bench: schedule, engine, steps, interlocks, safe state."""
