"""What ``import audit`` costs and offers, in a fresh interpreter."""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import audit

HEAVY = ("pandas", "matplotlib", "scipy", "pyarrow", "jinja2", "click")
ROOT = Path(audit.__file__).resolve().parents[1]


def loaded_after(code: str) -> set[str]:
    """Return the top-level modules that a fresh interpreter has loaded after running some code."""
    script = (
        f"{code}\nimport sys\nsys.stdout.write(' '.join({{n.split('.')[0] for n in sys.modules}}))"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    return set(done.stdout.split())


def test_importing_the_package_loads_nothing_heavy() -> None:
    loaded = loaded_after("import audit")
    assert "audit" in loaded
    assert loaded.isdisjoint(HEAVY)


def test_the_model_needs_no_tables_pictures_or_screens() -> None:
    loaded = loaded_after(
        "import audit\naudit.Shot\naudit.Skeleton\naudit.Settings\naudit.AuditError"
    )
    assert "numpy" in loaded
    assert loaded.isdisjoint(HEAVY)


def test_reading_and_measuring_load_no_pictures_or_screens() -> None:
    loaded = loaded_after("import audit\naudit.read\naudit.measure")
    assert loaded.isdisjoint({"pandas", "matplotlib", "pyarrow", "jinja2", "click"})


@pytest.mark.parametrize("name", audit.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert getattr(audit, name) is not None


def test_public_names_are_the_things_themselves() -> None:
    for name, home in audit._HOME.items():
        assert getattr(audit, name) is getattr(importlib.import_module(home), name)


def test_a_star_import_gives_all_of_them() -> None:
    space: dict[str, object] = {}
    exec("from audit import *", space)
    assert set(audit.__all__) <= set(space)


def test_public_names_are_sorted_and_single() -> None:
    names = [name for name in audit.__all__ if not name.startswith("__")]
    assert names == sorted(set(names))


def test_a_name_that_is_not_there() -> None:
    with pytest.raises(AttributeError, match="module 'audit' has no attribute 'nothing'"):
        _ = audit.nothing


def test_the_version_is_that_of_the_installed_package() -> None:
    from importlib.metadata import version

    assert audit.__version__ == version("hinge-audit")
