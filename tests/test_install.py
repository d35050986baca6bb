"""What a person installs: the source archive, the wheel made from it, and its program."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
import zipfile
from configparser import ConfigParser
from pathlib import Path

import numpy as np
import pytest
from support import snapshot, write_exr

import gradeprep

ROOT = Path(__file__).parent.parent
NAME = f"gradeprep-{gradeprep.__version__}"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def start(*command: object, cwd: Path) -> str:
    """Run it where nothing leads back to this checkout; its standard output."""
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    ran = subprocess.run(
        [*map(str, command)], cwd=cwd, env=env, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the source archive, and the wheel made from nothing but that archive."""
    for needed in ("build", "hatchling"):
        if importlib.util.find_spec(needed) is None:
            pytest.skip(f"{needed} is not installed: pip install -e '.[test]'")
    folder = tmp_path_factory.mktemp("built")
    # No isolation: an isolated build would fetch its backend from the network.
    start(sys.executable, "-m", "build", "--no-isolation", "--outdir", folder, ROOT, cwd=folder)
    return folder


def files_of(*parts: str) -> set[str]:
    """The checkout's files that belong to the project, not what Python and tools left there."""
    left = {"__pycache__", ".mypy_cache", ".ruff_cache", ".pytest_cache", ".hypothesis"}
    return {
        path.relative_to(ROOT).as_posix()
        for part in parts
        for path in (ROOT / part).rglob("*")
        if path.is_file() and not left & {*path.parts}
    }


def test_the_archive_holds_all_that_a_checkout_does(built: Path) -> None:
    with tarfile.open(built / f"{NAME}.tar.gz") as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    alone = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "PKG-INFO"}
    assert alone <= held
    assert files_of("gradeprep", "configs", "examples", "tests") - held == set()


def test_the_wheel_holds_the_package_and_nothing_else(built: Path) -> None:
    with zipfile.ZipFile(built / f"{NAME}-py3-none-any.whl") as wheel:
        held = set(wheel.namelist())
        entries = wheel.read(f"{NAME}.dist-info/entry_points.txt").decode()
    package = {name for name in held if not name.startswith(f"{NAME}.dist-info/")}
    assert package == files_of("gradeprep")
    assert "gradeprep/py.typed" in package
    for page in ("review/page/report.html.j2", "review/desk/page/index.html"):
        assert f"gradeprep/{page}" in package
    assert f"{NAME}.dist-info/licenses/LICENSE" in held
    told = ConfigParser(delimiters=("=",))
    told.optionxform = str  # type: ignore[assignment, method-assign]
    told.read_string(entries)
    groups = {**PROJECT["entry-points"], "console_scripts": PROJECT["scripts"]}
    assert {name: dict(told[name]) for name in told.sections()} == groups


def test_the_wheel_alone_pulls_a_plate_and_leaves_without_a_trace(
    built: Path, tmp_path: Path
) -> None:
    if importlib.util.find_spec("pip") is None:
        pytest.skip("pip is not installed")
    home, work = tmp_path / "home", tmp_path / "work"
    work.mkdir()
    venv.create(home, symlinks=True)
    bin_ = home / ("Scripts" if os.name == "nt" else "bin")
    # The libraries come from the running environment, whose own gradeprep stands behind the
    # wheel's: a folder named in a .pth comes last, and its own .pth files are not read.
    scheme = {"base": str(home), "platbase": str(home)}
    site = Path(sysconfig.get_path("purelib", "venv", scheme))
    libraries = [one for one in sys.path if one.endswith(("site-packages", "dist-packages"))]
    (site / "libraries.pth").write_text("\n".join(libraries), encoding="utf-8")
    before = snapshot(home)

    pip = (sys.executable, "-m", "pip", "--python", bin_ / "python", "--quiet")
    wheel = built / f"{NAME}-py3-none-any.whl"
    start(*pip, "install", "--no-deps", "--no-index", wheel, cwd=work)
    where = start(bin_ / "python", "-c", "import gradeprep; print(gradeprep.__file__)", cwd=work)
    assert Path(where.strip()).is_relative_to(home)
    said = start(bin_ / "gradeprep", "--version", cwd=work)
    assert said == f"gradeprep, version {gradeprep.__version__}\n"
    planes = {name: np.full((4, 6), 0.72, np.float16) for name in "RGB"}
    write_exr(work / "hot.1001.exr", planes)
    wish = ("--stops", "-2", "--space", "ACEScg", "--quiet")
    start(bin_ / "gradeprep", "pull", "hot.####.exr", "normal", *wish, cwd=work)
    assert {path.name for path in (work / "normal").iterdir()} == {"hot.1001.exr", "hot.stops.json"}

    start(*pip, "uninstall", "--yes", "gradeprep", cwd=work)
    assert snapshot(home) == before
