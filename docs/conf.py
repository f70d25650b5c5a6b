"""Sphinx settings, and the pages that are made from the program itself at each build."""

from __future__ import annotations

import shutil
import sys
import tomllib
from importlib import import_module
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent
sys.path.insert(0, str(ROOT))

import audit  # noqa: E402
from audit.checks import checks  # noqa: E402
from audit.plugins import page_of  # noqa: E402
from audit.policy import policy_checks  # noqa: E402
from audit.policy.own_checks import page_of_policy_check  # noqa: E402
from audit.rest_checks import rest_checks  # noqa: E402
from audit.rig_checks import rig_checks  # noqa: E402

project = "hinge-audit"
author = "The hinge-audit authors"
copyright = "2026, The hinge-audit authors"
version = release = audit.__version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.napoleon",
    "sphinx.ext.mathjax",
]
myst_enable_extensions = ["dollarmath", "deflist", "colon_fence"]
myst_heading_anchors = 3
html_theme = "furo"
html_title = "hinge-audit"
html_static_path: list[str] = []
exclude_patterns = ["_build"]
autodoc_member_order = "bysource"
autodoc_typehints = "none"
napoleon_google_docstring = False
napoleon_use_rtype = False
nitpick_ignore_regex = [("py:.*", r".*")]  # numpydoc type texts such as "(F, 3)" are no references


def write_check_pages() -> None:
    """Write one page a check from its module, and the tables that lead to them."""
    folder = HERE / "checks"
    own = policy_checks()
    kinds = {"shots": checks(), "rigs": rig_checks(), "rests": rest_checks(), "policies": own}
    for kind, found in kinds.items():
        for name, check in found.items():
            page = page_of_policy_check(name) if name in own else page_of(check)
            (folder / f"{name}.md").write_text(page, encoding="utf-8")
        rows = [f"| [{name}]({name}.md) | {check.title} |" for name, check in found.items()]
        table = "\n".join(["| check | finds |", "| --- | --- |", *rows])
        toctree = "\n".join(["```{toctree}", ":hidden:", "", *found, "```"])
        (folder / f"_{kind}.md").write_text(f"{table}\n\n{toctree}\n", encoding="utf-8")


def write_layers() -> None:
    """Write the table of layers from the import contract and the first line of each package."""
    config = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = config["tool"]["importlinter"]["contracts"][0]["layers"]
    lines = ["| from the top | what it is |", "| --- | --- |"]
    for layer in layers:
        for name in layer.split(" | "):
            text = (import_module(f"audit.{name}").__doc__ or "").strip().splitlines()[0]
            lines.append(f"| `audit.{name}` | {text} |")
    (HERE / "_layers.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_demo_pictures() -> None:
    """Report on the demo, so that the tutorial shows what the program makes today."""
    from audit.demo import demo_shots  # noqa: PLC0415
    from audit.pipeline import examine  # noqa: PLC0415
    from audit.report import folder_name, write_report  # noqa: PLC0415

    target = HERE / "_demo"
    shutil.rmtree(target, ignore_errors=True)
    for name, shot in demo_shots().items():
        write_report(examine(shot), target / folder_name(Path(name).stem))


def write_schema() -> None:
    """Copy the schema of the results, which the docs include whole."""
    shutil.copy(ROOT / "audit" / "results.schema.json", HERE / "_results.schema.json")


write_check_pages()
write_layers()
write_schema()
write_demo_pictures()
exclude_patterns += [
    "_layers.md",
    "checks/_shots.md",
    "checks/_rigs.md",
    "checks/_rests.md",
    "checks/_policies.md",
    "figures",
]
