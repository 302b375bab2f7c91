"""Who is called about an alarm, and who next: in virtual time, by day and night, with real commands."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon import calling
from daemon.alarms import CATALOGUE
from daemon.caller import Caller
from daemon.config import ConfigError, parse
from daemon.events import Event
from daemon.requests import KINDS, apply
from daemon.state import DAY, HOUR, Alarm, Call, CallPlan, Memory, Now, Person, Site
from profiles.library import load_library
from tests.daemon.builders import BERLIN, Runner, site, utc

MARIT = Person("Marit", "high", nights=True, wait=900.0)
JOSS = Person("Joss", "medium", nights=False, wait=1800.0)
EDDA = Person("Edda", "critical", nights=True, wait=600.0)
PLAN = CallPlan((MARIT, JOSS, EDDA), rounds=2)
NOON = utc("2027-03-22T12:00:00+01:00")
EVENING = utc("2027-03-22T21:50:00+01:00")

COOKING, MEDIUM, LOW, BY_DAY = (
    "soil-over-limit",
    "probes-disagree",
    "mat-without-effect",
    "dry-cells",
)


@dataclass
class Desk:
    """Alarms that stand, and time that passes; who is called when."""

    plan: CallPlan = PLAN
    utc: float = NOON
    mono: float = 50.0
    trusted: bool = True
    alarms: dict[str, Alarm] = field(default_factory=dict)
    calls: dict[str, Call] = field(default_factory=dict)
    started: float = 0.0
    heard: list[tuple[float, str, str]] = field(default_factory=list)

    def raised(self, kind: str, **more: Any) -> Desk:
        self.alarms[kind] = Alarm(kind, kind, "shelf", None, "36 °C", self.utc, **more)
        self.started = self.mono
        return self

    def changed(self, kind: str, **more: Any) -> None:
        self.alarms[kind] = replace(self.alarms[kind], **more)

    def pass_by(self, seconds: float, tick: float = 60.0) -> list[tuple[float, str]]:
        """Let time pass; minutes since the alarm was raised, and who was called for what then."""
        before = len(self.heard)
        end = self.mono + seconds
        while self.mono < end:
            calls, events = calling.step(
                self.calls, self.alarms, self.plan, BERLIN, Now(self.mono, self.utc, self.trusted)
            )
            self.calls = dict(calls)
            for event in events:
                minutes = (self.mono - self.started) / 60
                self.heard.append((minutes, event.data["person"], event.data["kind"]))
            self.mono, self.utc = self.mono + tick, self.utc + tick
        return [(minutes, person) for minutes, person, _ in self.heard[before:]]


def test_the_first_is_called_at_once_and_the_next_when_nobody_answers() -> None:
    desk = Desk().raised(COOKING)
    assert desk.pass_by(6 * HOUR) == [
        (0, "Marit"), (15, "Joss"), (45, "Edda"), (55, "Marit"), (70, "Joss"), (100, "Edda"),
    ]  # fmt: skip
    assert desk.calls[COOKING].told == ("Marit", "Joss", "Edda")


def test_an_answer_ends_the_calling_whoever_gives_it() -> None:
    desk = Desk().raised(COOKING)
    desk.pass_by(20 * 60.0)
    desk.changed(COOKING, acknowledged=True)
    assert desk.pass_by(6 * HOUR) == []
    assert desk.calls[COOKING].told == ("Marit", "Joss")


def test_each_is_called_only_for_what_is_urgent_enough_for_them() -> None:
    assert {who for _, who in Desk().raised(MEDIUM).pass_by(DAY / 2)} == {"Joss"}
    assert Desk().raised(LOW, latched=True).pass_by(DAY / 4) == []
    assert {who for _, who in Desk().raised(BY_DAY).pass_by(6 * HOUR)} == {"Marit", "Joss"}


def test_by_night_only_what_wakes_calls_and_only_those_who_take_nights() -> None:
    asleep = Desk(utc=utc("2027-03-22T23:00:00+01:00")).raised(COOKING)
    assert [who for _, who in asleep.pass_by(2 * HOUR)] == ["Marit", "Edda", "Marit", "Edda"]
    dry = Desk(utc=utc("2027-03-22T23:00:00+01:00")).raised(BY_DAY)
    assert dry.pass_by(8 * HOUR - 120.0) == []
    assert dry.pass_by(600.0) == [(8 * 60, "Marit")]


def test_a_dead_mat_wakes_nobody() -> None:
    eager = CallPlan((Person("Marit", "low", nights=True, wait=60.0),))
    desk = Desk(plan=eager, utc=utc("2027-03-22T22:00:00+01:00")).raised(LOW, latched=True)
    assert desk.pass_by(9 * HOUR - 60.0) == []
    assert desk.pass_by(120.0)[0][1] == "Marit"


def test_one_that_nobody_takes_at_night_waits_for_the_morning_and_loses_no_turn() -> None:
    day_people = CallPlan((replace(MARIT, nights=False),), rounds=1)
    desk = Desk(plan=day_people, utc=utc("2027-03-22T23:00:00+01:00")).raised(COOKING)
    assert desk.pass_by(10 * HOUR) == [(8 * 60, "Marit")]


def test_where_nobody_knows_the_hour_it_is_called_all_the_same() -> None:
    desk = Desk(utc=utc("2027-03-22T23:00:00+01:00"), trusted=False).raised(BY_DAY)
    assert desk.pass_by(60.0) == [(0, "Marit")]


def test_one_snoozed_is_silent_and_then_called_from_the_beginning() -> None:
    desk = Desk().raised(COOKING)
    desk.pass_by(20 * 60.0)
    desk.changed(COOKING, shelved_until=1e9)
    assert desk.pass_by(2 * HOUR) == []
    desk.changed(COOKING, shelved_until=None)
    assert [who for _, who in desk.pass_by(20 * 60.0)] == ["Marit", "Joss"]


def test_one_that_returned_calls_nobody_and_raised_anew_it_calls_anew() -> None:
    desk = Desk().raised(COOKING)
    desk.pass_by(60.0)
    desk.changed(COOKING, active=False)
    assert desk.pass_by(2 * HOUR) == []
    desk.raised(COOKING)
    assert desk.pass_by(60.0) == [(0, "Marit")]
    desk.alarms.clear()
    desk.pass_by(60.0)
    assert desk.calls == {}


def test_a_latched_one_calls_though_its_cause_has_gone() -> None:
    desk = Desk().raised("warms-unheated", latched=True, active=False)
    assert desk.pass_by(60.0) == [(0, "Marit")]


def test_with_nobody_set_nobody_is_called() -> None:
    assert Desk(plan=CallPlan()).raised(COOKING).pass_by(DAY) == []


@pytest.mark.parametrize(
    ("begin", "end", "at", "night"),
    [
        (22, 7, "21:59", False), (22, 7, "22:00", True), (22, 7, "03:00", True), (22, 7, "07:00", False),
        (0, 6, "00:00", True), (0, 6, "05:59", True), (0, 6, "06:00", False), (0, 6, "23:59", False),
    ],
)  # fmt: skip
def test_the_night_may_be_on_either_side_of_midnight(
    begin: int, end: int, at: str, night: bool
) -> None:
    span = (timedelta(hours=begin), timedelta(hours=end))
    assert calling.is_night(span, BERLIN, utc(f"2027-03-22T{at}:00+01:00")) is night


@settings(deadline=None, max_examples=30)
@given(
    kinds=st.lists(st.sampled_from(sorted(CATALOGUE)), min_size=1, max_size=4, unique=True),
    begin=st.integers(0, 23),
    tick=st.sampled_from([1.0, 60.0, 1700.0]),
)
def test_whatever_stands_nobody_is_called_against_the_plan(
    kinds: list[str], begin: int, tick: float
) -> None:
    desk = Desk(utc=NOON + begin * HOUR)
    for kind in kinds:
        desk.raised(kind)
    desk.pass_by(3000 * tick if tick > 1 else 4000.0, tick)
    for minutes, who, kind in desk.heard:
        person = {one.name: one for one in PLAN.people}[who]
        assert calling.concerns(person, desk.alarms[kind])
        if calling.is_night(PLAN.night, BERLIN, NOON + begin * HOUR + minutes * 60):
            assert person.nights
            assert CATALOGUE[kind].wakes
    for kind in kinds:
        many = sum(calling.concerns(one, desk.alarms[kind]) for one in PLAN.people)
        assert sum(heard == kind for _, _, heard in desk.heard) <= PLAN.rounds * many


def test_the_decision_core_calls_and_a_person_s_acknowledgement_ends_it() -> None:
    runner = Runner(replace(site(), calls=PLAN), Memory(), utc=NOON, soil=36.0)
    runner.pass_by(16 * 60.0)
    said = runner.told("call")
    assert said[0].startswith(
        "Marit is called: soil over the limit: shelf: a soil probe reads 36.0 °C"
    )
    assert [text.split()[0] for text in said] == ["Marit", "Joss"]
    ack = KINDS["acknowledge"].model_validate({"alarm": "soil-over-limit.shelf"})
    runner.memory = apply(runner.memory, runner.site, ack, "Joss", runner.now()).memory
    runner.pass_by(6 * HOUR)
    assert len(runner.told("call")) == 2


# --- the configuration -----------------------------------------------------------------------------


def table(*people: dict[str, Any], **calls: Any) -> dict[str, Any]:
    lamp = {"watts": 40, "device": {"driver": "simulated"}}
    return {
        "schema": 1,
        "site": {"name": "plum-row", "zone": "Europe/Berlin"},
        "bench": {"shelf": {"trays": 4, "lamp": lamp}},
        "calls": {"people": list(people), **calls},
    }


def test_people_are_set_by_the_owner_in_their_order() -> None:
    config = parse(
        table(
            {"name": "Marit", "command": ["/usr/bin/mail", "-s", "hotbed", "marit"]},
            {"name": "Joss", "least": "medium", "wait": 1800.0, "nights": False},
            night_from="23:00", night_to="06:30", rounds=2,
        ),
        Path("plum-row.toml"),
    )  # fmt: skip
    assert Site.of(config, load_library()).calls == CallPlan(
        (MARIT, JOSS), (timedelta(hours=23), timedelta(hours=6.5)), 2
    )


@pytest.mark.parametrize(
    ("person", "said"),
    [
        ({"name": ""}, "name"),
        ({"name": "A", "wait": 5.0}, "calls.people[1].wait: 5.0; allowed: 60"),
        ({"name": "A", "least": "urgent"}, "allowed: critical, high, medium, low"),
        ({"name": "A", "command": ["mail", "a"]}, "'mail'; allowed: the whole path of a program"),
        ({"name": "A", "phone": "1"}, "calls.people[1].phone"),
    ],
)
def test_a_person_who_could_not_be_called_is_refused(person: dict[str, Any], said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse(table(person), Path("plum-row.toml"))
    assert said in str(caught.value)


def test_nobody_is_in_the_order_twice() -> None:
    with pytest.raises(ConfigError, match="two people are named 'A'"):
        parse(table({"name": "A"}, {"name": "A"}), Path("plum-row.toml"))


# --- the commands ----------------------------------------------------------------------------------


def call(person: str = "Marit") -> Event:
    alarm = Alarm("dry-cells.TOM1", "dry-cells", "shelf", "TOM1", "TOM1: dry", NOON)
    data = {
        "alarm": alarm.key, "kind": alarm.kind, "priority": "high", "person": person, "turn": 1,
        "message": calling.message(alarm),
    }  # fmt: skip
    return Event(NOON, "call", f"{person} is called", data=data)


def script(path: Path, text: str) -> tuple[str, ...]:
    path.write_text(text, encoding="utf-8")
    return (sys.executable, str(path))


async def test_a_command_is_given_the_words_and_which_alarm_it_is(
    tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    out = tmp_path / "told"
    command = script(
        tmp_path / "tell.py",
        "import os, sys\n"
        f"new = {str(out)!r}\n"
        "text = os.environ['HOTBED_ALARM'] + ' ' + os.environ['HOTBED_PERSON'] + '\\n'\n"
        "open(new + '.part', 'w').write(text + sys.stdin.read())\n"
        "os.rename(new + '.part', new)\n",
    )
    caller = Caller({"Marit": command})
    caller.hear([call(), Event(NOON, "alarm", "not a call"), call("Joss")])
    await eventually(out.exists)
    told = out.read_text(encoding="utf-8")
    assert told.startswith("dry-cells.TOM1 Marit\nHIGH: nobody has seen to the water\nTOM1: dry\n")
    assert told.endswith("Seen: hotbed alarms ack dry-cells.TOM1\n")
    assert caller.trouble is None
    await caller.close()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("import sys; sys.exit('no network')", "ended with status 1 (no network)"),
        ("import time; time.sleep(60)", "took longer than 0.4 s"),
    ],
)
async def test_a_command_that_fails_or_hangs_is_a_trouble_until_one_succeeds(
    tmp_path: Path, eventually: Callable[..., Any], text: str, said: str
) -> None:
    path = tmp_path / "tell.py"
    caller = Caller({"Marit": script(path, text)}, patience=0.4)
    caller.hear([call()])
    await eventually(lambda: caller.trouble is not None)
    assert caller.trouble is not None
    assert said in caller.trouble
    path.write_text("", encoding="utf-8")
    caller._patience = 20.0
    caller.hear([call()])
    await eventually(lambda: caller.trouble is None)
    await caller.close()


async def test_a_command_that_is_not_there_is_said_and_nothing_outlives_the_end(
    tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    pid = tmp_path / "pid"
    hang = script(
        tmp_path / "hang.py",
        f"import os, time; open({str(pid)!r}, 'w').write(str(os.getpid())); time.sleep(600)",
    )
    caller = Caller({"Marit": ("/no/such/program",), "Joss": hang})
    caller.hear([call(), call("Joss")])
    await eventually(lambda: caller.trouble is not None and pid.exists() and pid.read_text())
    assert "Marit: /no/such/program: can't be run: No such file" in (caller.trouble or "")
    await caller.close()
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid.read_text()), 0)


async def test_a_flood_of_calls_is_bounded() -> None:
    caller = Caller({"Marit": (sys.executable, "-c", "import time; time.sleep(60)")})
    caller.hear([call()] * 60)
    assert "50 calls wait already" in (caller.trouble or "")
    await asyncio.sleep(0)
    await caller.close()
