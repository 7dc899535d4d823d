"""How the property tests draw their examples.

By default the same examples each time, so that a failure is a change of the code and not of the dice. Looking for
new ones is a run of its own: `scripts/test tests/analysis --hypothesis-profile=explore`.
"""

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.register_profile("explore", max_examples=2_000, deadline=None)
settings.load_profile("repeatable")
