"""Imports run one way: the contracts in pyproject.toml hold, and each notices what it is there for."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCES = ROOT / "service/underlid"

# A module, an import it must not have, and the contract that says so.
FORBIDDEN = [
    ("science/trend.py", "import underlid.model", "Imports run one way"),
    ("model.py", "import underlid.science", "Imports run one way"),
    ("rules/__init__.py", "import underlid.store", "Imports run one way"),
    ("store/__init__.py", "import underlid.rules", "Imports run one way"),
    ("web/__init__.py", "import underlid.notify", "Imports run one way"),
    ("reports/__init__.py", "import underlid.notify", "Imports run one way"),
    ("reports/__init__.py", "import underlid.web", "Imports run one way"),
    ("watch.py", "import underlid.runtime", "Imports run one way"),
    ("exchange/__init__.py", "import underlid.notify", "Imports run one way"),
    ("a_module_without_a_place.py", "", "Imports run one way"),
    ("store/__init__.py", "import underlid.science", "The store and the watch know no science"),
    (
        "web/__init__.py",
        "import underlid.settings",
        "Settings are seen only where the parts are put together",
    ),
    ("watch.py", "import paho.mqtt.client", "The MQTT client is known to few"),
    ("intake/__init__.py", "import paho.mqtt.client", "The MQTT client is known to few"),
    ("science/trend.py", "import time", "Science, rules and words read no clock"),
    ("rules/__init__.py", "import underlid.clock", "Science, rules and words read no clock"),
    ("demo/__init__.py", "import amqtt.broker", "The embedded broker is known to one file"),
    ("rules/__init__.py", "import sqlalchemy", "The database is known to the store alone"),
    ("runtime.py", "import sqlite3", "The database is known to the store alone"),
    ("web/__init__.py", "import cryptography", "Certificates are known to one file"),
    ("web/__init__.py", "import apprise", "Apprise is known to the notifications alone"),
    ("notify/courier.py", "import fastapi", "The web framework is known to the web part alone"),
]


def lint_imports(sources: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [Path(sys.executable).parent / "lint-imports", "--no-logo", "--no-cache", ROOT / "pyproject.toml"],
        cwd=sources,
        env=os.environ | {"PYTHONPATH": str(sources)},
        capture_output=True,
        text=True,
    )


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    shutil.copytree(SOURCES, tmp_path / "underlid", ignore=shutil.ignore_patterns("static", "__pycache__"))
    return tmp_path


def test_every_contract_on_imports_is_kept() -> None:
    done = lint_imports(SOURCES.parent)

    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(("module", "line", "contract"), FORBIDDEN)
def test_a_forbidden_import_is_noticed(module: str, line: str, contract: str, copied: Path) -> None:
    planted = copied / "underlid" / module
    with planted.open("a") as f:
        f.write(f"\n{line}\n")

    done = lint_imports(copied)

    assert done.returncode != 0
    assert f"{contract} BROKEN" in " ".join(done.stdout.split())
