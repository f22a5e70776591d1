"""Settings files as no keeper should write them: each is taken, or refused in one line that hides passwords."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from underlid.settings import BadSettingsError, Settings, load_settings

TOUCHY = [
    "",
    "~nobody/x",
    "\0",
    "127.0.0.1:8480",
    "0.0.0.0:1",
    "[::1]:99999",
    "mqtts://u:tiger42@h",
    "Europe/Vienna",
]
TOUCHY += [
    "sqlite:///",
    "postgresql://u:tiger42@h/d",
    "open",
    "accounts",
    "192.0.2.0/24",
    "mailto://tiger42",
    "../..",
]
SCALARS = st.one_of(
    st.booleans(), st.integers(), st.floats(allow_nan=True), st.text(max_size=30), st.sampled_from(TOUCHY)
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
NAMES = st.one_of(st.sampled_from(sorted(Settings.model_fields)), st.text(max_size=12))
MANY = settings(max_examples=400, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@pytest.fixture(autouse=True)
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    for name in [name for name in os.environ if name.startswith("UNDERLID_")]:
        monkeypatch.delenv(name)


def one_line_or_settings(**given_: object) -> None:
    line = ""
    try:
        load_settings(**given_)  # type: ignore[arg-type]
    except BadSettingsError as error:
        line = str(error)
    assert len(line.splitlines()) <= 1
    assert "tiger42" not in line


@MANY
@given(st.binary(max_size=300))
def test_any_bytes_are_settings_or_one_line(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    file: Path = tmp_path_factory.getbasetemp() / "farm.toml"
    file.write_bytes(content)
    one_line_or_settings(file=file)


@MANY
@given(st.dictionaries(NAMES, VALUES, max_size=4))
def test_any_values_are_settings_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, values: dict[str, object]
) -> None:
    file: Path = tmp_path_factory.getbasetemp() / "farm.toml"
    text = "".join(f"{quoted(name)} = {toml(value)}\n" for name, value in values.items())
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # a surrogate or a control sign that TOML can't hold
    file.write_text(text, "utf-8", "surrogatepass")
    one_line_or_settings(file=file)


def quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=True)


def toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        return f"[{', '.join(map(toml, value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{quoted(name)} = {toml(inner)}' for name, inner in value.items())}}}"
    return str(value)
