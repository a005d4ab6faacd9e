"""What holds for every test: examples that a property test draws are the same on every machine and in every run."""

from __future__ import annotations

from hypothesis import settings

# A new draw in each run belongs at the developer's desk: `pytest --hypothesis-profile=default`.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
