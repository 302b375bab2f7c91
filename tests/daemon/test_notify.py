"""The service manager is told over a real socket, and never holds the daemon up."""

from __future__ import annotations

import os
import socket
import threading
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.notify import STATUS_LIMIT, Notifier, watchdog_interval


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """A service manager's end: the value of NOTIFY_SOCKET and the socket behind it."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ours:
        if request.param == "path":
            name = str(tmp_path / "notify")
            ours.bind(name)
        else:
            name = f"@hotbed-{uuid.uuid4().hex}"
            ours.bind("\0" + name[1:])
        ours.settimeout(2)
        yield name, ours


def _heard(ours: socket.socket) -> list[str]:
    return ours.recv(65536).decode().split("\n")


def test_the_manager_hears_ready_status_signs_of_life_and_stopping(
    manager: tuple[str, socket.socket],
) -> None:
    name, ours = manager
    notifier = Notifier({"NOTIFY_SOCKET": name})
    assert notifier.active
    assert notifier.ready()
    assert _heard(ours) == ["READY=1"]
    assert notifier.status("2 benches, mats off")
    assert _heard(ours) == ["STATUS=2 benches, mats off"]
    assert notifier.alive()
    assert _heard(ours) == ["WATCHDOG=1"]
    assert notifier.stopping()
    assert _heard(ours) == ["STOPPING=1"]


def test_ready_can_carry_the_first_status(manager: tuple[str, socket.socket]) -> None:
    name, ours = manager
    assert Notifier({"NOTIFY_SOCKET": name}).ready("first tick done")
    assert _heard(ours) == ["READY=1", "STATUS=first tick done"]


@given(st.text(st.characters(), max_size=2 * STATUS_LIMIT))
def test_no_status_can_smuggle_in_another_assignment(text: str) -> None:
    name = f"\0hotbed-{uuid.uuid4().hex}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ours:
        ours.bind(name)
        ours.settimeout(2)
        assert Notifier({"NOTIFY_SOCKET": "@" + name[1:]}).status(text)
        (line,) = _heard(ours)
    assert line.startswith("STATUS=")
    assert len(line) <= len("STATUS=") + STATUS_LIMIT


def test_a_full_queue_neither_blocks_nor_loses_ready(manager: tuple[str, socket.socket]) -> None:
    name, ours = manager
    notifier = Notifier({"NOTIFY_SOCKET": name})
    sent = 0

    def fill() -> None:
        nonlocal sent
        while notifier.alive():
            sent += 1

    filling = threading.Thread(target=fill, daemon=True)
    filling.start()
    filling.join(10)
    assert not filling.is_alive(), "sending to a full queue blocked"
    assert sent > 0
    assert not notifier.ready("up")
    assert not notifier.status("two mats on")

    for _ in range(sent):
        assert _heard(ours) == ["WATCHDOG=1"]
    assert notifier.alive()
    # What is owed comes along, newest status only; the signs of life of the jam do not pile up.
    assert _heard(ours) == ["READY=1", "STATUS=two mats on", "WATCHDOG=1"]
    assert notifier.stopping()
    assert _heard(ours) == ["STOPPING=1"]


def test_a_sign_of_life_that_did_not_go_out_is_not_sent_later(tmp_path: Path) -> None:
    name = tmp_path / "notify"
    notifier = Notifier({"NOTIFY_SOCKET": str(name)})
    assert not notifier.alive()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ours:
        ours.bind(str(name))
        ours.settimeout(2)
        assert notifier.status("back")
        assert _heard(ours) == ["STATUS=back"]


@pytest.mark.parametrize("name", ["", "@", "/", "relative", "vsock:2:1", "/" + "x" * 200, "/a\0b"])
def test_a_socket_that_cannot_be_is_borne_in_silence(name: str) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": name})
    assert not notifier.ready()
    assert not notifier.alive()
    assert not notifier.stopping()


def test_without_a_manager_nothing_happens() -> None:
    notifier = Notifier({})
    assert not notifier.active
    assert not notifier.ready("up")


def test_the_manager_is_found_in_the_environment(
    manager: tuple[str, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    name, ours = manager
    monkeypatch.setenv("NOTIFY_SOCKET", name)
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    assert Notifier().ready()
    assert _heard(ours) == ["READY=1"]
    assert watchdog_interval() == 15.0


@pytest.mark.parametrize(
    ("environ", "interval"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getppid())}, None),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "me"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": ""}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
    ],
)
def test_the_watchdog_is_fed_at_half_its_limit(
    environ: dict[str, str], interval: float | None
) -> None:
    assert watchdog_interval(environ) == interval
