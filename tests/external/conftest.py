"""Where the outside world is found: folders of installed packages, and open data beside the project."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def package_folder() -> Callable[[str], Path]:
    """Return a function that finds the folder of an installed package without running its code.

    The packages are wanted for the data files that they ship; importing them would start a renderer or a
    physics engine.
    """

    def locate(name: str) -> Path:
        spec = find_spec(name)
        if spec is None or not spec.submodule_search_locations:
            pytest.skip(
                f"the package {name}, whose data files this checks against, is not installed"
            )
        return Path(next(iter(spec.submodule_search_locations)))

    return locate


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Return the folder with open data that is kept beside the project, not in it."""
    folder = Path(__file__).parents[2].parent / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("the folder with open motion data is not beside the project")
    return folder
