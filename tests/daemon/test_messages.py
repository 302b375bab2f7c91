"""The schemas beside the code are those of the models, and what is really sent keeps to them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker, ValidationError

import daemon
from daemon.config import parse
from daemon.decide import Decision, decide
from daemon.events import Event, StoredEvent
from daemon.messages import (
    MODELS,
    AnswerMessage,
    alarm_messages,
    batch_message,
    bench_messages,
    event_message,
    schemas,
)
from daemon.requests import RefusedError, apply, arguments, envelope
from daemon.state import Inputs, Memory, Now, Site
from drivers.protocols import Quality, Reading
from profiles.library import load_library

FOLDER = Path(daemon.__file__).parent / "schemas"
UTC = 1_804_500_000.0  # 2027-03-08
ANEW = "the models have changed: run `python -m daemon.schemas` and commit what it writes"


def validator(name: str) -> Draft202012Validator:
    """The validator of a payload, from the file that users get."""
    schema = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema, format_checker=FormatChecker())


def check(name: str, payload: bytes) -> dict[str, Any]:
    """Validate what goes over the wire; returns it as read."""
    content = json.loads(payload)
    validator(name).validate(content)
    return dict(content)


def request(kind: str = "keep", **changes: Any) -> dict[str, Any]:
    """A request as an asker of any make might send it."""
    asked = {
        "schema": 1,
        "id": "5f0c9a2e77b14d0e",
        "kind": kind,
        "arguments": {"bench": "upper", "relay": "lamp", "to": "on", "seconds": 3600},
        "by": "Marit",
        "reply_to": "hotbed/alder-lane/answer/5f0c",
        "at": "2027-03-08T10:40:00Z",
        "sent_at": "2027-03-08T10:40:00+01:00",
        "valid_for": 30,
    }
    return {key: value for key, value in (asked | changes).items() if value is not ...}


def ask(memory: Memory, site: Site, kind: str, given: dict[str, Any], now: Now) -> Memory:
    """Carry a request out, checked on its way against the schema."""
    content = request(kind, arguments=given)
    validator("request").validate(content)
    read = envelope(json.dumps(content).encode())
    done = apply(memory, site, arguments(read), read.by, now)
    answer = AnswerMessage(at="2027-03-08T10:40:00Z", id=read.id, ok=True, result=dict(done.result))
    check("answer", answer.payload())
    return done.memory


@pytest.fixture(scope="module")
def site() -> Site:
    probe = {"name": "front", "measures": "soil", "device": {"driver": "simulated"}}
    air = {"name": "air", "measures": "air", "device": {"driver": "simulated"}}
    relay = {"watts": 40, "device": {"driver": "simulated"}}
    config = parse(
        {
            "schema": 1,
            "site": {"name": "alder-lane", "zone": "Europe/Berlin"},
            "bench": {
                "lower": {"trays": 2, "mat": relay, "probes": [probe]},
                "upper": {"trays": 4, "lamp": relay, "mat": relay, "probes": [probe, air]},
            },
        },
        Path("hotbed.toml"),
    )
    return Site.of(config, load_library())


@pytest.fixture(scope="module")
def told(site: Site) -> tuple[Memory, Decision]:
    """Two benches with three batches after a tick on which a probe is lost and an alarm raised."""
    now = Now(1000.0, UTC)
    memory = Memory()
    memory = ask(memory, site, "sow", {"crop": "tomato", "place": "lower", "cells": 72}, now)
    sown = {"crop": "lettuce", "place": "upper", "trays": 0.5, "cells": 36, "variety": "Joss's"}
    memory = ask(memory, site, "sow", sown, now)
    memory = ask(memory, site, "sow", {"crop": "onion", "place": "porch"}, now)
    counted = {"batch": "LET1", "what": "emerged", "value": 30, "of": 36}
    memory = ask(memory, site, "log", counted, now)
    memory = ask(memory, site, "stage", {"batch": "LET1", "to": "seedling"}, now)
    memory = ask(memory, site, "keep", request()["arguments"], now)
    decision = None
    for minute in range(1, 20):
        now = Now(1000.0 + 60 * minute, UTC + 60 * minute)
        readings = {
            "lower/front": Reading(None, Quality.MISSING, now.mono),
            "upper/front": Reading(19.0 + minute / 16, Quality.OK, now.mono),
            "upper/air": Reading(20.5, Quality.OK, now.mono),
        }
        decision = decide(memory, site, Inputs(readings), now)
        memory = decision.memory
    assert decision is not None
    return memory, decision


@pytest.mark.parametrize("name", sorted(MODELS))
def test_the_schema_file_is_that_of_the_model(name: str) -> None:
    assert json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8")) == schemas()[name], (
        ANEW
    )


def test_there_is_no_schema_file_without_a_model() -> None:
    assert {path.stem for path in FOLDER.glob("*.json")} == set(MODELS), ANEW


def test_the_state_of_benches_keeps_to_its_schema(
    site: Site, told: tuple[Memory, Decision]
) -> None:
    memory, decision = told
    messages = bench_messages(memory, site, decision, {"upper/lamp": True, "upper/mat": None}, UTC)
    content = {name: check("bench", one.payload()) for name, one in messages.items()}
    assert content["lower"]["readings"][0]["quality"] == "missing"
    assert content["lower"]["lamp"] is None
    assert content["upper"]["lamp"]["kept_by"] == "Marit"
    assert content["upper"]["soil"] == pytest.approx(19 + 19 / 16)


def test_the_state_of_batches_keeps_to_its_schema(
    site: Site, told: tuple[Memory, Decision]
) -> None:
    memory, decision = told
    for one in memory.batches.values():
        content = check("batch", batch_message(one, memory, site, decision, UTC).payload())
        assert content["revision"] == one.revision
    assert len(memory.batches) == 3


def test_alarms_keep_to_their_schema(told: tuple[Memory, Decision]) -> None:
    memory, _ = told
    assert "no-soil-reading.lower" in memory.alarms
    for message in alarm_messages(memory, Now(0.0, UTC)).values():
        content = check("alarm", message.payload())
        assert content["action"]


def test_events_keep_to_their_schema(told: tuple[Memory, Decision]) -> None:
    event = Event(UTC, "record", "LET1: watered", bench="upper", batch="LET1", data={"x": 1.5})
    stored = StoredEvent(
        event.at, event.kind, event.text, event.bench, event.batch, event.by, event.data, seq=7
    )
    assert check("event", event_message(stored).payload())["seq"] == 7


@pytest.mark.parametrize(
    "changes",
    [
        {"schema": 2},
        {"schema": ...},
        {"id": "short"},
        {"by": ""},
        {"valid_for": 0},
        {"valid_for": 7200},
        {"reply_to": ...},
        {"colour": "red"},
        {"arguments": []},
    ],
)
def test_what_the_schema_of_requests_refuses_the_daemon_refuses(changes: dict[str, Any]) -> None:
    asked = request(**changes)
    with pytest.raises(ValidationError):
        validator("request").validate(asked)
    with pytest.raises(RefusedError):
        envelope(json.dumps(asked).encode())


def test_a_refusal_keeps_to_the_schema_of_answers() -> None:
    answer = AnswerMessage(at="2027-03-08T10:40:00Z", id="x", ok=False, error="no bench 'uper'")
    assert check("answer", answer.payload())["result"] is None
