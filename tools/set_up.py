"""Set up a virtual environment for this checkout, with a line of progress while pip works.

Usage: set_up.py FOLDER [--tests]. Standard library only.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
STEP = re.compile(r"^(Collecting|Downloading|Using cached|Installing|Building|Preparing)\s+(\S+)")


def main() -> int:
    """Create the environment if it is not there, and install the project into it."""
    if sys.version_info < (3, 11):  # noqa: UP036
        print("Undersong needs Python 3.11 or later; set PYTHON=python3.12 or the like.", file=sys.stderr)
        return 2
    folder = Path(sys.argv[1])
    wanted = f"{ROOT}[tests]" if "--tests" in sys.argv[2:] else str(ROOT)
    if not (folder / "pyvenv.cfg").exists():
        say("setting up: a virtual environment")
        venv.create(folder, with_pip=True)
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    command = [
        str(python), "-m", "pip", "install", "--disable-pip-version-check", "--progress-bar", "off",
        "-c", str(ROOT / "constraints.txt"), "-e", wanted,
    ]  # fmt: skip
    code = install(command)
    say("")
    if "--tests" in sys.argv[2:] and not any(map(shutil.which, BROWSERS)):
        print("No Chromium here: tests in a real browser will be skipped (apt-get install chromium).", file=sys.stderr)
    return code


def install(command: list[str]) -> int:
    """Run pip and show what it is at; its whole output only if it fails."""
    kept: list[str] = []
    print("Setting up Undersong once (about 140 MB to fetch the first time).", file=sys.stderr, flush=True)
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as pip:
        assert pip.stdout is not None
        for line in pip.stdout:
            kept.append(line)
            found = STEP.match(line.strip())
            if found:
                say(f"setting up: {found[1].lower()} {Path(found[2]).name}")
    if pip.returncode:
        print("\n" + "".join(kept[-30:]), file=sys.stderr)
    return pip.returncode


def say(text: str) -> None:
    """One line of progress, written over itself; nothing in a pipe."""
    if sys.stderr.isatty():
        print(f"\r\033[K{text[:100]}", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
