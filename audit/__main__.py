"""``python -m audit`` is the command line."""

from audit.cli.main import run

if __name__ == "__main__":
    run()
