"""How formats and checks are found: by scanning the folder that they stand in."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from types import ModuleType
from typing import TypeVar

from audit.plugins.checks import AnyCheck
from audit.plugins.files import Format

Plugin = TypeVar("Plugin", bound=AnyCheck | Format)


def found_in(package: ModuleType, attribute: str, kind: type[Plugin]) -> dict[str, Plugin]:
    """Return what the modules of a package announce, by name, in alphabetical order.

    Parameters
    ----------
    package
        The package to scan; modules whose name starts with an underscore are left out.
    attribute
        Name of the variable that each module defines.
    kind
        Type that it must have.

    Raises
    ------
    TypeError
        Where a module defines none, or one of another type, or two share a name: a fault of the program.
    """
    found: dict[str, Plugin] = {}
    for module in _modules(package):
        plugin = getattr(module, attribute, None)
        if not isinstance(plugin, kind):
            raise TypeError(f"{module.__name__} defines no {attribute} of type {kind.__name__}")
        if plugin.name in found:
            raise TypeError(f"{module.__name__}: the name {plugin.name!r} is taken")
        found[plugin.name] = plugin
    return dict(sorted(found.items()))


def _modules(package: ModuleType) -> Iterator[ModuleType]:
    for info in sorted(pkgutil.iter_modules(package.__path__), key=lambda info: info.name):
        if not info.name.startswith("_"):
            yield importlib.import_module(f"{package.__name__}.{info.name}")
