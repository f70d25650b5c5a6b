"""Importing the report loads nothing that only a written report needs."""

from __future__ import annotations

import subprocess
import sys


def test_neither_templates_nor_pictures_are_loaded_before_they_are_needed() -> None:
    code = "import sys, audit.report; print({'matplotlib', 'jinja2', 'pandas'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
