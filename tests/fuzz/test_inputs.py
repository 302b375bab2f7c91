"""Whatever bytes come in, they are refused in words or taken; nothing else happens.

Requests, configuration, and what a probe's file says. Short here; for longer, `HOTBED_FUZZ=20000 pytest
tests/fuzz`.
"""

# A refusal is one of two good ends here.
# ruff: noqa: PT017

from __future__ import annotations

import json
import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.config import ConfigError, load, parse
from daemon.requests import KINDS, RefusedError, apply, arguments, envelope
from daemon.state import Memory, Now
from drivers.onewire import ProbeReadError, read_device, w1_slave_text
from profiles.model import Stage
from tests.daemon.builders import START, batch, holding, site

ROOT = Path(__file__).parents[2]
EXAMPLE = tomllib.loads((ROOT / "systemd" / "hotbed.toml.example").read_text(encoding="utf-8"))
DEVICE = "28-00000a1b2c3d"
MORE = int(os.environ.get("HOTBED_FUZZ", "0"))


def fuzzed(examples: int) -> settings:
    """So many examples, or as many as are asked for; one folder serves them all."""
    return settings(
        max_examples=MORE or examples,
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4)
    ),
    max_leaves=12,
)
FIELDS = ("schema", "id", "kind", "by", "arguments", "reply_to", "at", "sent_at", "valid_for")
VALID: dict[str, Any] = {
    "schema": 1, "id": "0123456789abcdef", "kind": "keep", "by": "Marit",
    "arguments": {"bench": "shelf", "relay": "mat", "to": "off"},
    "reply_to": "hotbed/testing/answer/x",
    "at": "2027-03-01T00:00:00Z", "sent_at": "2027-03-01T00:00:00Z", "valid_for": 60,
}  # fmt: skip


@st.composite
def nearly(draw: st.DrawFn, whole: Any) -> Any:
    """A JSON value with some of its parts changed, dropped or added."""
    if isinstance(whole, dict) and whole and draw(st.integers(0, 3)):
        changed = dict(whole)
        key = draw(st.sampled_from(sorted(changed)))
        choice = draw(st.integers(0, 3))
        if choice == 0:
            del changed[key]
        elif choice == 1:
            changed[draw(st.text(max_size=8))] = draw(json_values)
        else:
            changed[key] = draw(nearly(changed[key]))
        return changed
    if isinstance(whole, list) and whole and draw(st.booleans()):
        place = draw(st.integers(0, len(whole) - 1))
        return [*whole[:place], draw(nearly(whole[place])), *whole[place + 1 :]]
    return draw(json_values)


# --- requests --------------------------------------------------------------------------------------


@given(payload=st.binary(max_size=600) | st.text(max_size=300).map(str.encode) | json_values.map(
    lambda value: json.dumps(value).encode()
) | nearly(VALID).map(lambda value: json.dumps(value).encode()))  # fmt: skip
@fuzzed(150)
def test_no_payload_is_anything_but_a_request_or_a_refusal(payload: bytes) -> None:
    try:
        arguments(envelope(payload))
    except RefusedError as refusal:
        assert str(refusal)


@pytest.mark.parametrize("depth", [50, 5_000, 15_000])
def test_no_nesting_breaks_the_reader(depth: int) -> None:
    for opening in ("[", '{"a":'):
        with pytest.raises(RefusedError):
            envelope(opening.encode() * (depth // len(opening)))


@given(kind=st.sampled_from(sorted(KINDS)), given_arguments=st.data())
@fuzzed(150)
def test_no_arguments_are_anything_but_done_or_refused_and_the_memory_stays_whole(
    kind: str, given_arguments: st.DataObject
) -> None:
    there = site()
    memory = holding(batch("TOM1"), batch("LET1", "lettuce", Stage.SEEDLING))
    names = sorted(KINDS[kind].model_fields)
    # Mostly of the right kind, so that what lies behind the model is reached too.
    likely = st.sampled_from(
        ("TOM1", "LET1", "site", "shelf", "chamber", "lamp", "mat", "on", "off", "auto", "seedling",
         "note", "watered", "emerged", "lost", "tomato", 1, 2, 0.5, 3600, "2027-02-01T00:00:00Z")
    )  # fmt: skip
    body = given_arguments.draw(
        st.dictionaries(st.sampled_from(names), likely | json_values, max_size=len(names))
    )
    request = envelope(json.dumps({**VALID, "kind": kind, "arguments": {}}).encode())
    request = request.model_copy(update={"arguments": body})
    try:
        done = apply(memory, there, arguments(request), "Marit", Now(1000.0, START + 3600))
    except RefusedError as refusal:
        assert str(refusal)
        assert memory == holding(batch("TOM1"), batch("LET1", "lettuce", Stage.SEEDLING))
    else:
        assert isinstance(done.memory, Memory)
        json.dumps(dict(done.result))


# --- configuration ---------------------------------------------------------------------------------


@given(data=nearly(EXAMPLE))
@fuzzed(100)
def test_no_configuration_is_anything_but_taken_or_refused_by_name(data: Any) -> None:
    if not isinstance(data, dict):
        return
    try:
        config = parse(data, Path("hotbed.toml"))
    except ConfigError as refusal:
        assert "hotbed.toml" in str(refusal)
    else:
        assert config.site.name


@given(content=st.binary(max_size=400) | st.text(max_size=200).map(str.encode))
@fuzzed(100)
def test_no_file_is_a_configuration_by_chance_or_breaks_the_reader(
    tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "hotbed.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError, match=r"hotbed\.toml"):
        load(path)


# --- probes ----------------------------------------------------------------------------------------


@given(content=st.binary(max_size=200) | st.builds(
    lambda celsius, place, byte: _with(w1_slave_text(celsius).encode(), place, byte),
    st.floats(-20, 60), st.integers(0, 80), st.integers(0, 255),
))  # fmt: skip
@fuzzed(150)
def test_no_text_of_a_probe_is_anything_but_a_temperature_or_an_error(
    tmp_path: Path, content: bytes
) -> None:
    device = tmp_path / DEVICE
    device.mkdir(exist_ok=True)
    (device / "w1_slave").write_bytes(content)
    try:
        celsius = read_device(tmp_path, DEVICE)
    except ProbeReadError as error:
        assert str(error)
    else:
        assert -55 <= celsius <= 125  # the data sheet's range of the sensor


def _with(text: bytes, place: int, byte: int) -> bytes:
    changed = bytearray(text)
    changed[place % len(changed)] = byte
    return bytes(changed)
