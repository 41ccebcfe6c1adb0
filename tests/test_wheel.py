"""What people install is the wheel: built, installed where nothing else is, and used without a network."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from conftest import ROOT


def run(command: list[str | Path], home: Path) -> str:
    """Run with an empty home and no way to any registry."""
    clean = {name: value for name, value in os.environ.items() if name in ("PATH", "SYSTEMROOT", "LANG", "TMPDIR")}
    clean |= {"HOME": str(home), "USERPROFILE": str(home), "PIP_NO_INDEX": "1", "PIP_DISABLE_PIP_VERSION_CHECK": "1"}
    clean |= dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), "http://127.0.0.1:9")
    done = subprocess.run(
        [str(word) for word in command], env=clean, cwd=home, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout, built without a network."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)],
        check=True, capture_output=True,
    )  # fmt: skip
    return next(folder.glob("*.whl"))


def test_the_wheel_holds_what_it_needs_and_says_its_licences(wheel: Path) -> None:
    """Fonts, the page source, demo hymns, the typing mark, licence texts; no tests."""
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        metadata = archive.read(next(name for name in names if name.endswith("METADATA"))).decode()
    for wanted in (
        "Leipzig.ttf",
        "OFL.txt",
        "booklet.typ",
        "py.typed",
        "Apache-2.0.txt",
        "NOTICE",
        "page.css",
        "htmx.min.js",
        "hymn.html",
        "0BSD.txt",
    ):
        assert any(name.endswith(wanted) for name in names), wanted
    assert sum(name.startswith("undersong/demo/") and name.endswith(".musicxml") for name in names) >= 5
    assert not any("test" in name for name in names)
    assert "License-Expression: Apache-2.0 AND OFL-1.1" in metadata


def test_installed_alone_it_runs_the_demo(wheel: Path, tmp_path: Path) -> None:
    """A fresh environment; the libraries it depends on are lent by this one, the package is the wheel's."""
    home, place = tmp_path / "home", tmp_path / "env"
    home.mkdir()
    venv.create(place, with_pip=True)
    bin_folder = place / ("Scripts" if os.name == "nt" else "bin")
    python = bin_folder / "python"
    packages = Path(run([python, "-c", "import sysconfig; print(sysconfig.get_paths()['purelib'])"], home).strip())
    (packages / "lent.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    run([python, "-m", "pip", "install", "--no-deps", wheel], home)
    where = run([python, "-c", "import undersong; print(undersong.__file__)"], home)
    assert str(packages) in where
    out = run([bin_folder / "undersong", "demo", "-o", home / "pages"], home)
    assert out.count("wrote") >= 15
    assert len(list((home / "pages").glob("*.pdf"))) >= 5
