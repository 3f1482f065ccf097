"""The wheel is whole: what the program needs is in it, and it starts without the checkout."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from tests.running import running

GOOD_VALUES_MIN = 100

pytestmark = pytest.mark.timeout(120)


@pytest.fixture(scope="module")
def wheel(checkout: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a wheel built from the checkout, without the network."""
    out = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(checkout)]
    built = subprocess.run(command, capture_output=True, text=True, check=False, timeout=100)
    assert built.returncode == 0, built.stdout + built.stderr
    return next(out.glob("plantview-*.whl"))


@pytest.fixture(scope="module")
def wheel_python(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the Python of a fresh environment that holds the wheel; dependencies come from this one's."""
    folder = tmp_path_factory.mktemp("installed")
    venv.create(folder, with_pip=False, symlinks=True)
    site = next(folder.glob("lib/python*/site-packages"))
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return folder / "bin" / "python"


@pytest.fixture(scope="module")
def unpacked(wheel_python: Path) -> Path:
    """Return the folder that the wheel was unpacked into."""
    return next(wheel_python.parent.parent.glob("lib/python*/site-packages"))


def below(folder: Path) -> set[str]:
    """Return the files of a folder, relative, without what Python leaves behind."""
    return {
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_the_wheel_holds_every_module_plant_and_asset_of_the_checkout(unpacked: Path, checkout: Path) -> None:
    package = below(unpacked / "plantview")
    assert below(unpacked / "plantview" / "_plants") == below(checkout / "config")
    assert below(unpacked / "plantview" / "_assets") == below(checkout / "assets")
    modules = {name for name in package if not name.startswith(("_plants/", "_assets/"))}
    assert modules == below(checkout / "plantview")
    assert "_plants/larkfield/plant.toml" in package
    assert any(name.startswith("_assets/") and name.endswith(".js") for name in package)


def test_the_wheel_says_licence_script_and_version(unpacked: Path, checkout: Path) -> None:
    import plantview

    info = next(unpacked.glob("plantview-*.dist-info"))
    metadata = (info / "METADATA").read_text(encoding="utf-8")
    assert f"\nVersion: {plantview.__version__}\n" in metadata
    assert "\nLicense-Expression: MIT\n" in metadata
    assert "plantview = plantview.cli:main" in (info / "entry_points.txt").read_text(encoding="utf-8")
    assert (info / "licenses" / "LICENSE").read_text(encoding="utf-8") == (checkout / "LICENSE").read_text(
        encoding="utf-8"
    )


def test_the_wheel_checks_its_own_example_from_an_empty_folder(
    wheel_python: Path, unpacked: Path, tmp_path: Path
) -> None:
    ran = plantview_of(wheel_python, tmp_path, "check", "larkfield")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    where = subprocess.run(
        [str(wheel_python), "-c", "import plantview; print(plantview.__file__)"],
        cwd=tmp_path, capture_output=True, text=True, check=True, timeout=20,
    )  # fmt: skip
    assert Path(where.stdout.strip()).is_relative_to(unpacked)


def test_the_wheel_runs_the_demo_from_an_empty_folder(wheel_python: Path, tmp_path: Path) -> None:
    with running(["demo"], tmp_path, python=str(wheel_python)) as demo:
        demo.wait_line("open http://")
        assert demo.until(lambda: sum(row["quality"] == "GOOD" for row in demo.values().values()) >= GOOD_VALUES_MIN)
        assert demo.stop() == 0


def plantview_of(python: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command of the installed wheel to its end."""
    command = [str(python), "-m", "plantview", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=60)
