"""The daemon of one bench: its guard, its queue, its API, and what speaks to it from a terminal."""
