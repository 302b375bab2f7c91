"""Strangers and watchers have no say, secrets stay where they are, and nobody may ask without end.

On a real mosquitto with the access list that ships beside the unit.
"""

from __future__ import annotations

import asyncio
import shutil
import subprocess
import time
import uuid
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from daemon.client import Client, NobodyAnswered
from daemon.config import Mqtt
from daemon.service import REQUESTS_EACH
from daemon.wire import Wire
from tests.authority import Authority
from tests.processes import PLUG, SITE, Broker, Daemon, until

ACL = Path(__file__).parents[2] / "systemd" / "mosquitto-acl.example"
#: A password that nothing else in a log or a table would contain by chance.
PASSWORDS = {
    user: f"Zw{uuid.uuid4().hex}" for user in ("hotbed", "marit", "hall-screen", "annex-plug")
}
ROOT = f"hotbed/{SITE}/"


@pytest.fixture
def secrets(tmp_path: Path) -> dict[str, Path]:
    """A password file of the program for each user."""
    files = {}
    for user, password in PASSWORDS.items():
        files[user] = tmp_path / f"password-{user}"
        files[user].write_text(password + "\n")
        files[user].chmod(0o600)
    return files


def guards(folder: Path) -> tuple[str, ...]:
    """Lines that make a mosquitto one with users and the example's access list."""
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto_passwd is not installed")
    users, acl = folder / "users", folder / "acl"
    users.touch(mode=0o600)
    for user, password in PASSWORDS.items():
        subprocess.run(["mosquitto_passwd", "-b", str(users), user, password], check=True)
    shutil.copy(ACL, acl)
    acl.chmod(0o600)
    return "allow_anonymous false", f"password_file {users}", f"acl_file {acl}"


@pytest.fixture
async def guarded(mosquitto: Any, tmp_path: Path) -> Any:
    """A mosquitto with users and the example's access list."""
    return await mosquitto(*await asyncio.to_thread(guards, tmp_path))


def as_user(user: str, port: int, secrets: dict[str, Path]) -> Mqtt:
    return Mqtt(broker="127.0.0.1", port=port, username=user, password_file=secrets[user])


@pytest.fixture
async def heard(
    guarded: Any, secrets: dict[str, Path], eventually: Callable[..., Any]
) -> AsyncIterator[list[bytes]]:
    """The requests that reach a daemon that answers none."""
    requests: list[bytes] = []

    async def hear(payload: bytes) -> None:
        requests.append(payload)

    wire = Wire(as_user("hotbed", guarded.port, secrets), SITE)
    wire.handler = hear
    task = asyncio.create_task(wire.run())
    try:
        await eventually(lambda: wire.connected)
        wire.publish_latest(wire.topics.bench("lower"), b'{"schema": 1, "bench": "lower"}')
        yield requests
    finally:
        await wire.close()
        task.cancel()


def options(user: str) -> tuple[str, ...]:
    return ("-u", user, "-P", PASSWORDS[user], "-V", "mqttv5")


def say(broker: Any, user: str, topic: str, payload: str = "{}") -> str:
    """Publish as a user; what mosquitto_pub says of the broker's answer."""
    done = subprocess.run(
        ["mosquitto_pub", "-p", str(broker.port), *options(user), "-q", "1", "-t", topic, "-m", payload],
        capture_output=True, text=True, timeout=10, check=False,
    )  # fmt: skip
    return done.stdout + done.stderr


async def test_a_watchers_request_is_refused_by_the_broker_and_a_growers_reaches_the_daemon(
    guarded: Any, heard: list[bytes], foreign: Any, eventually: Callable[..., Any]
) -> None:
    for stranger in ("hall-screen", "annex-plug"):
        refusal = await asyncio.to_thread(say, guarded, stranger, ROOT + "request", stranger)
        assert "ot authorized" in refusal  # the reason code 0x87 of MQTT 5, section 3.4.2.1
    assert await asyncio.to_thread(say, guarded, "marit", ROOT + "request", "marit") == ""
    await eventually(lambda: heard)
    assert heard == [b"marit"]


async def test_nobody_but_the_daemon_speaks_for_it_or_switches_its_plugs(
    guarded: Any, heard: list[bytes], foreign: Any, eventually: Callable[..., Any]
) -> None:
    listening = await foreign.hear(guarded, f"{ROOT}#", "annex/#", options=options("hotbed"))
    for user in ("marit", "hall-screen", "annex-plug"):
        for topic in ("availability", "bench/lower", "batch/TOM1", "alarm/x", "event"):
            assert "ot authorized" in await asyncio.to_thread(say, guarded, user, ROOT + topic, "x")
        for topic in ("annex/plug/set", "annex/thermometer"):
            assert "ot authorized" in await asyncio.to_thread(say, guarded, user, topic, "x")
    assert await asyncio.to_thread(say, guarded, "annex-plug", "annex/plug", "OFF") == ""
    await eventually(lambda: any("annex/plug OFF" in line for line in listening))
    assert not [line for line in listening if line.endswith(" x")]


async def test_a_watcher_sees_what_stands_but_not_what_others_ask_and_are_answered(
    guarded: Any,
    heard: list[bytes],
    secrets: dict[str, Path],
    foreign: Any,
    eventually: Callable[..., Any],
) -> None:
    spied = await foreign.hear(guarded, "#", options=options("hall-screen"))
    async with Client(as_user("hall-screen", guarded.port, secrets), SITE) as watcher:
        picture = await watcher.gather()
        assert picture["availability"] == {"state": "online"}
        assert picture["bench/lower"]["bench"] == "lower"
        with pytest.raises(NobodyAnswered, match="does not answer"):
            await watcher.ask("keep", {}, by="hall", timeout=0.5)
    async with Client(as_user("marit", guarded.port, secrets), SITE) as grower:
        with pytest.raises(NobodyAnswered, match="does not answer"):
            await grower.ask("keep", {"bench": "lower"}, by="Marit", timeout=0.5)
    assert [b'"by": "Marit"' in one for one in heard] == [True]
    answer = f"{ROOT}answer/marit/"
    assert answer.encode() in heard[0]
    assert await asyncio.to_thread(say, guarded, "hotbed", answer + "x", "secret") == ""
    assert "ot authorized" in await asyncio.to_thread(
        say, guarded, "hall-screen", answer + "x", "y"
    )
    await eventually(lambda: any("availability" in line for line in spied))
    assert not [line for line in spied if "/request" in line or "/answer/marit" in line]


def test_no_password_and_no_key_is_in_a_log_an_argument_an_answer_or_the_state_folder(
    secrets: dict[str, Path], tmp_path: Path
) -> None:
    authority = Authority(tmp_path, "loft-ca")
    certificate, key = authority.sign("broker")
    mine, my_key = authority.sign("loft")
    encrypted = (
        "require_certificate true",
        f"cafile {authority.certificate}",
        f"certfile {certificate}",
        f"keyfile {key}",
    )
    with Broker(tmp_path, *guards(tmp_path), *encrypted) as broker:
        login = f"""
            username = "hotbed"
            password_file = "{secrets["hotbed"]}"
            tls = true
            ca_file = "{authority.certificate}"
            cert_file = "{mine}"
            key_file = "{my_key}"
        """
        daemon = Daemon(tmp_path, broker.port, mat=PLUG, mqtt=login)
        hers = tmp_path / "hers.toml"
        hers.write_text(daemon.config.read_text().replace("hotbed", "marit"))
        process = daemon.start("--log-level", "debug")
        try:
            until(lambda: b"connected to the broker" in daemon.log.read_bytes())
            started = [
                Path(f"/proc/{process.pid}/{one}").read_bytes() for one in ("cmdline", "environ")
            ]
            sown = daemon.ask("sow", "tomato", "--bench", "lower", "--by", "Marit", config=hers)
            assert sown.returncode == 0, sown.stderr
            seen = daemon.ask("status", "--json", config=hers)
            assert "TOM1" in seen.stdout
            (tmp_path / "password-marit").write_text("mislaid\n")
            shut_out = daemon.ask("status", "--json", config=hers)
            assert "not authorised" in shut_out.stdout + shut_out.stderr
            assert daemon.stop() == 0
        finally:
            daemon.kill()
    written = [path for path in daemon.state.rglob("*") if path.is_file()]
    assert daemon.state / "journal.db" in written
    texts = [*started, *(path.read_bytes() for path in (*written, daemon.log))]
    texts += [one.encode() for done in (sown, seen, shut_out) for one in (done.stdout, done.stderr)]
    assert any(b"TOM1" in text for text in texts)  # they are read as they are
    key_lines = [line for line in my_key.read_text().splitlines() if not line.startswith("-----")]
    for secret in (*PASSWORDS.values(), "mislaid", *key_lines):
        assert not [text for text in texts if secret.encode() in text]


async def test_who_asks_too_often_is_told_to_wait_and_others_are_served(
    mosquitto: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    broker = await mosquitto()
    daemon = Daemon(tmp_path, broker.port)
    daemon.start()
    try:
        await eventually(lambda: b"connected to the broker" in daemon.log.read_bytes(), within=15)
        ask = {"bench": "lower", "relay": "mat", "to": "off"}
        began = time.monotonic()
        async with Client(Mqtt(broker="127.0.0.1", port=broker.port), SITE) as client:
            asked = (client.ask("keep", ask, by="a script", timeout=20) for _ in range(300))
            answers = await asyncio.gather(*asked)
            refused = [str(one.error) for one in answers if "too many requests" in str(one.error)]
            more = (time.monotonic() - began) * REQUESTS_EACH / 60
            assert 300 - REQUESTS_EACH - more - 1 <= len(refused) <= 300 - REQUESTS_EACH
            assert "allowed: 240 a minute by one person and 600 by all" in refused[0]
            assert (await client.ask("keep", ask, by="Marit", timeout=10)).ok
    finally:
        daemon.kill()
