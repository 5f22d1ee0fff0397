"""Properties are tried without a deadline: the first call imports scipy, and the machine may be busy."""

from hypothesis import settings

settings.register_profile("no_deadline", deadline=None)
settings.load_profile("no_deadline")
