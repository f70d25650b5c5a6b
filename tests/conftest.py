"""What all tests share: a cache of their own, and the two ways in which hypothesis looks for counterexamples.

``fixed`` is the default: the same examples on every run and every machine. ``search`` draws new ones, and
many more: ``python -m pytest tests --hypothesis-profile=search``.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

# Time limits an example of its own would make a busy machine fail the tests.
settings.register_profile(
    "fixed",
    deadline=None,
    derandomize=True,
    max_examples=25,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "search",
    deadline=None,
    max_examples=400,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("fixed")


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep results of earlier runs out of the tests, and the tests out of the user's cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield
