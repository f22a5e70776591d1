"""What pip makes of the sources: a wheel that holds the built dashboards and installs with pip alone."""

import email
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
STATIC = "service/underlid/web/static"
# Nothing listens on the discard port; what needs the registry fails at once.
OFFLINE = {"npm_config_registry": "http://127.0.0.1:9/", "npm_config_fetch_retries": "0"}

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


def run(*args: str, cwd: Path, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", *args], cwd=cwd, env=os.environ | (env or {}), capture_output=True, text=True
    )


def succeed(*args: str, cwd: Path, env: dict[str, str] | None = None) -> None:
    done = run(*args, cwd=cwd, env=env)
    assert done.returncode == 0, done.stdout + done.stderr


def copy_sources(to: Path) -> Path:
    """The sources as a fresh clone has them: nothing built, nothing fetched."""
    left_out = shutil.ignore_patterns(".*cache", "__pycache__", "node_modules", "static")
    for name in ("service", "dashboards", "tests"):
        shutil.copytree(ROOT / name, to / name, ignore=left_out)
    for name in (
        ".gitignore",
        "CHANGELOG.md",
        "LICENSE",
        "README.md",
        "docker-compose.yml",
        "pyproject.toml",
    ):
        shutil.copy(ROOT / name, to)
    return to


@pytest.fixture(scope="module")
def clone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_sources(tmp_path_factory.mktemp("clone"))


@pytest.fixture(scope="module")
def wheel(clone: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built as `pip wheel .` does it, on a machine without Node."""
    folder = tmp_path_factory.mktemp("wheel")
    no_node = os.pathsep.join(
        p for p in os.environ["PATH"].split(os.pathsep) if not (Path(p) / "node").exists()
    )
    succeed("pip", "wheel", "--no-deps", "-w", str(folder), ".", cwd=clone, env={"PATH": no_node})
    (built,) = folder.glob("underlid-*.whl")
    return built


def package_files(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as z:
        return {name for name in z.namelist() if name.startswith("underlid/")}


def test_the_wheel_holds_the_dashboards_and_all_that_their_page_asks_for(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as z:
        page = z.read("underlid/web/static/index.html").decode()
    asked_for = re.findall(r'(?:src|href)="/([^"]+)"', page)

    assert any(name.endswith(".js") for name in asked_for)
    assert {f"underlid/web/static/{name}" for name in asked_for} <= package_files(wheel)


def test_the_wheel_holds_every_file_of_the_package_and_nothing_else(wheel: Path, clone: Path) -> None:
    package = clone / "service/underlid"
    files = {
        f"underlid/{path.relative_to(package).as_posix()}"
        for path in package.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }

    assert package_files(wheel) == files
    with zipfile.ZipFile(wheel) as z:
        tops = {name.split("/")[0].split("-")[0] for name in z.namelist()}
    assert tops == {"underlid"}


def test_the_wheel_names_the_command_the_licence_and_the_least_python(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as z:
        (info,) = {name.split("/")[0] for name in z.namelist() if ".dist-info/" in name}
        entry_points = z.read(f"{info}/entry_points.txt").decode()
        metadata = email.message_from_bytes(z.read(f"{info}/METADATA"))

    assert "underlid = underlid.cli:main" in entry_points
    assert metadata["License-Expression"] == "MIT"
    assert metadata["Requires-Python"] == ">=3.11"


def test_the_installed_wheel_runs_from_another_folder(wheel: Path, tmp_path: Path) -> None:
    succeed("pip", "install", "--no-index", "--no-deps", "--target", "site", str(wheel), cwd=tmp_path)
    seen = {"PYTHONPATH": str(tmp_path / "site")}

    where = subprocess.run(
        [sys.executable, "-c", "import underlid; print(underlid.__file__)"],
        cwd=tmp_path,
        env=os.environ | seen,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert where.startswith(str(tmp_path))
    command = subprocess.run(
        [sys.executable, "-c", "from underlid.cli import main; main()", "--help"],
        cwd=tmp_path,
        env=os.environ | seen,
        capture_output=True,
        text=True,
    )
    assert command.returncode == 0, command.stderr
    assert "serve" in command.stdout
    assert "demo" in command.stdout


def test_a_source_distribution_holds_the_dashboards_and_needs_no_npm(
    wheel: Path, clone: Path, tmp_path: Path
) -> None:
    succeed("hatchling", "build", "-t", "sdist", "-d", str(tmp_path), cwd=clone)
    (sdist,) = tmp_path.glob("underlid-*.tar.gz")
    with tarfile.open(sdist) as t:
        names = {name.split("/", 1)[1] for name in t.getnames()}
    assert {f"{STATIC}/index.html", "dashboards/package-lock.json", "dashboards/build_hook.py"} <= names
    assert not any("node_modules" in name for name in names)

    succeed(
        *("pip", "wheel", "--no-deps", "--no-build-isolation", "-w", str(tmp_path), str(sdist)),
        cwd=tmp_path,
        env=OFFLINE,
    )
    (again,) = tmp_path.glob("underlid-*.whl")
    assert package_files(again) == package_files(wheel)


def test_the_dashboards_are_built_again_only_after_a_change(wheel: Path, clone: Path, tmp_path: Path) -> None:
    assert wheel.is_file()
    page = clone / STATIC / "index.html"

    def builds() -> bool:
        before = page.stat().st_mtime_ns
        succeed("hatchling", "build", "-t", "wheel", "-d", str(tmp_path), cwd=clone, env=OFFLINE)
        return page.stat().st_mtime_ns != before

    assert not builds()
    (clone / "dashboards/src/main.tsx").touch()
    assert builds()
    assert not builds()
    extra = clone / "dashboards/src/extra.ts"
    extra.touch()
    assert builds()
    extra.unlink()
    assert builds(), "a deleted source is a change too"


def test_without_a_registry_one_sentence_says_what_to_do(tmp_path: Path) -> None:
    clone = copy_sources(tmp_path / "clone")

    done = run(
        *("hatchling", "build", "-t", "wheel"),
        cwd=clone,
        env=OFFLINE | {"npm_config_cache": str(tmp_path / "empty")},
    )

    assert done.returncode != 0
    last = (done.stdout + done.stderr).strip().splitlines()[-1]
    assert last.startswith("The dashboards' npm packages could not be fetched: connect to the network")
    assert "Traceback" not in done.stdout + done.stderr


def test_a_mistake_in_the_dashboards_ends_the_build_with_what_vite_says(
    wheel: Path, clone: Path, tmp_path: Path
) -> None:
    assert wheel.is_file()
    broken = copy_sources(tmp_path / "clone")
    (broken / "dashboards/node_modules").symlink_to(clone / "dashboards/node_modules")
    (broken / "dashboards/src/main.tsx").write_text("const = 1;\n")

    done = run("hatchling", "build", "-t", "wheel", cwd=broken, env=OFFLINE)

    assert done.returncode != 0
    assert "main.tsx" in done.stdout + done.stderr
    assert (
        (done.stdout + done.stderr).strip().splitlines()[-1].startswith("The dashboards could not be built")
    )


def test_the_lock_file_names_versions_and_checksums_but_no_addresses() -> None:
    packages = json.loads((ROOT / "dashboards/package-lock.json").read_text())["packages"]
    fetched = {name: entry for name, entry in packages.items() if name}

    assert all(entry["integrity"].startswith("sha512-") for entry in fetched.values())
    assert [name for name, entry in fetched.items() if "resolved" in entry] == []
