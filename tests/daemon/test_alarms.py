"""Alarms in the words of ANSI/ISA-18.2: delays, return, return again, latch, shelf."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.alarms import CATALOGUE, ONE_FAULT, PRIORITIES, Condition, first_out, step
from daemon.catalogue import PATH, markdown
from daemon.events import Event
from daemon.requests import KINDS, RefusedError, apply
from daemon.state import HOUR, Alarm, BenchMemory, HeatWatch, Memory, Now
from tests.daemon.builders import START, Runner, bench, good, site

AT_ONCE, LATER, LATCHING = "soil-over-limit", "crop-too-hot", "mat-without-effect"
DELAY = CATALOGUE[LATER].delay


@dataclass
class Panel:
    """Alarms over time, stepped by hand; what the tests look at is what `step` returned."""

    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    pending: Mapping[str, float] = field(default_factory=dict)
    mono: float = 100.0
    told: list[Event] = field(default_factory=list)

    def step(self, *kinds: str, after: float = 0.0, cause: str = "hot") -> list[str]:
        """Let time pass, then step with these conditions; the texts of what was told."""
        self.mono += after
        conditions = {f"{kind}.shelf": Condition(kind, cause, "shelf") for kind in kinds}
        now = Now(self.mono, START + self.mono)
        self.alarms, self.pending, events = step(self.alarms, self.pending, conditions, now)
        self.told += events
        return [event.text for event in events]

    def ask(self, kind: str, **arguments: object) -> str:
        """Ask as a person would; the answer's text."""
        memory = Memory(
            alarms=self.alarms,
            benches={
                "shelf": BenchMemory(
                    latched=frozenset({LATCHING, "warms-unheated"}), watch=HeatWatch(on_s=1.0)
                )
            },
        )
        asked = KINDS[kind].model_validate(arguments)
        done = apply(memory, site(), asked, "Ada", Now(self.mono, START + self.mono))
        self.alarms, self.benches = done.memory.alarms, done.memory.benches
        return str(done.result["text"])

    @property
    def states(self) -> dict[str, str]:
        return {key.split(".")[0]: alarm.state for key, alarm in self.alarms.items()}


def test_every_kind_says_how_urgent_it_is_what_it_leads_to_and_what_to_do() -> None:
    for kind, one in CATALOGUE.items():
        assert one.priority in PRIORITIES, kind
        assert one.title
        assert one.consequence.endswith(".")
        assert one.action.endswith((".", "?"))
        assert one.delay >= 0
        assert one.cause.endswith(".")
        assert one.needs_person or not one.latched, kind
    latched = {kind for kind, one in CATALOGUE.items() if one.latched}
    assert latched == {"warms-unheated", "mat-without-effect", "probe-out-of-tray"}


def test_a_condition_without_delay_is_an_alarm_at_once_and_told_once() -> None:
    panel = Panel()
    assert panel.step(AT_ONCE) == [f"{CATALOGUE[AT_ONCE].title}: hot"]
    assert panel.states == {AT_ONCE: "active"}
    alarm = panel.alarms[f"{AT_ONCE}.shelf"]
    assert (alarm.raised_at, alarm.bench, alarm.latched) == (START + 100.0, "shelf", False)
    assert panel.told[0].data == {
        "alarm": f"{AT_ONCE}.shelf",
        "kind": AT_ONCE,
        "state": "active",
    }
    assert panel.step(AT_ONCE, after=60.0) == []


def test_a_condition_becomes_an_alarm_when_it_has_stood_for_its_delay() -> None:
    panel = Panel()
    assert panel.step(LATER) == []
    assert panel.step(LATER, after=DELAY - 0.5) == []
    assert panel.states == {}
    assert len(panel.step(LATER, after=0.5)) == 1
    assert panel.states == {LATER: "active"}


def test_a_condition_that_goes_in_between_starts_its_delay_anew() -> None:
    panel = Panel()
    panel.step(LATER)
    panel.step(after=DELAY - 1.0)
    assert panel.pending == {}
    panel.step(LATER, after=1.0)
    panel.step(LATER, after=DELAY - 1.0)
    assert panel.states == {}


def test_the_cause_follows_the_figures_without_telling_again() -> None:
    panel = Panel()
    panel.step(AT_ONCE, cause="36.0")
    assert panel.step(AT_ONCE, after=60.0, cause="37.0") == []
    assert panel.alarms[f"{AT_ONCE}.shelf"].cause == "37.0"


def test_it_returns_when_its_cause_has_been_gone_for_the_delay_and_waits_for_a_look() -> None:
    panel = Panel()
    panel.step(LATER)
    panel.step(LATER, after=DELAY)
    assert panel.step(after=60.0) == []
    assert panel.step(after=DELAY - 0.5) == []
    assert panel.states == {LATER: "active"}
    assert panel.step(after=0.5) == [f"returned to normal: {CATALOGUE[LATER].title}"]
    assert panel.states == {LATER: "returned"}
    assert panel.step(after=HOUR) == []  # in sight for as long as nobody has acknowledged it
    assert panel.states == {LATER: "returned"}
    panel.ask("acknowledge", alarm=f"{LATER}.shelf")
    assert panel.states == {}


def test_a_cause_that_comes_back_before_the_return_keeps_the_alarm_as_it_was() -> None:
    panel = Panel()
    panel.step(LATER)
    panel.step(LATER, after=DELAY)
    panel.step(after=60.0)
    assert panel.step(LATER, after=60.0) == []
    assert panel.pending == {}
    # And the way back starts over.
    panel.step(after=60.0)
    assert panel.step(after=DELAY - 1.0) == []


def test_an_acknowledged_alarm_goes_when_it_returns() -> None:
    panel = Panel()
    panel.step(AT_ONCE)
    assert panel.ask("acknowledge", alarm=f"{AT_ONCE}.shelf") == f"{AT_ONCE}.shelf: acknowledged"
    assert panel.states == {AT_ONCE: "acknowledged"}
    assert panel.alarms[f"{AT_ONCE}.shelf"].acknowledged_by == "Ada"
    assert panel.step(AT_ONCE, after=60.0) == []
    assert panel.step(after=60.0) == [f"returned to normal: {CATALOGUE[AT_ONCE].title}"]
    assert panel.states == {}


def test_one_that_returned_and_comes_again_is_told_again_and_unacknowledged() -> None:
    panel = Panel()
    panel.step(AT_ONCE)
    panel.step(after=60.0)
    assert panel.states == {AT_ONCE: "returned"}
    assert len(panel.step(AT_ONCE, after=60.0, cause="again")) == 1
    alarm = panel.alarms[f"{AT_ONCE}.shelf"]
    assert (alarm.state, alarm.cause, alarm.raised_at) == ("active", "again", START + 220.0)


def test_a_latched_one_stays_until_a_person_resets_it() -> None:
    panel = Panel()
    panel.step(LATCHING)
    assert panel.alarms[f"{LATCHING}.shelf"].latched
    panel.ask("acknowledge", alarm=f"{LATCHING}.shelf")
    assert panel.step(after=24 * HOUR) == []
    assert panel.states == {LATCHING: "acknowledged"}
    assert panel.ask("reset", alarm=f"{LATCHING}.shelf") == f"{LATCHING}.shelf: reset after a look"
    assert panel.states == {}
    # The bench starts over with that fault, and with that one only.
    assert panel.benches["shelf"].latched == {"warms-unheated"}
    assert panel.benches["shelf"].watch == HeatWatch()
    # If the cause stands it comes again.
    assert len(panel.step(LATCHING, after=60.0)) == 1


def test_one_that_is_not_latched_can_not_be_reset() -> None:
    panel = Panel()
    panel.step(AT_ONCE)
    with pytest.raises(RefusedError, match="not latched: it ends with its cause; `alarms ack`"):
        panel.ask("reset", alarm=f"{AT_ONCE}.shelf")


def test_a_shelved_one_is_silent_until_its_time_and_then_unacknowledged() -> None:
    panel = Panel()
    panel.step(AT_ONCE)
    panel.ask("acknowledge", alarm=f"{AT_ONCE}.shelf")
    assert "snoozed until" in panel.ask("snooze", alarm=f"{AT_ONCE}.shelf", seconds=600)
    assert panel.states == {AT_ONCE: "shelved"}
    assert panel.step(AT_ONCE, after=599.5) == []
    assert panel.step(AT_ONCE, after=0.5) == ["no longer snoozed: hot"]
    assert panel.states == {AT_ONCE: "active"}


def test_one_that_comes_again_while_shelved_stays_on_the_shelf() -> None:
    panel = Panel()
    panel.step(AT_ONCE)
    panel.ask("snooze", alarm=f"{AT_ONCE}.shelf", seconds=600)
    panel.step(after=60.0)
    assert panel.states == {AT_ONCE: "shelved"}
    panel.step(AT_ONCE, after=60.0)
    assert panel.states == {AT_ONCE: "shelved"}
    assert panel.told[-1].data["state"] == "shelved"
    assert panel.step(AT_ONCE, after=480.0) == ["no longer snoozed: hot"]
    # One whose cause went in the meantime comes off the shelf as returned.
    panel.ask("snooze", alarm=f"{AT_ONCE}.shelf", seconds=600)
    panel.step(after=60.0)
    assert panel.step(after=540.0) == ["no longer snoozed: hot"]
    assert panel.states == {AT_ONCE: "returned"}


def test_the_hour_that_a_snooze_ends_is_the_sites_and_says_the_day_when_it_is_another() -> None:
    panel = Panel(mono=0.0)  # 1 March 2027, 01:00 in Berlin
    panel.step(AT_ONCE)
    key = f"{AT_ONCE}.shelf"
    assert panel.ask("snooze", alarm=key, seconds=HOUR) == f"{key}: snoozed until 02:00"
    said = panel.ask("snooze", alarm=key, seconds=24 * HOUR)
    assert said == f"{key}: snoozed until 01:00 on 02 Mar"


@pytest.mark.parametrize(
    ("kind", "hours"),
    [("soil-over-limit", 1), ("dry-cells", 24), ("probe-lost", 168), ("emergence-overdue", 168)],
)
def test_the_more_urgent_an_alarm_the_sooner_it_must_come_back(kind: str, hours: int) -> None:
    panel = Panel(alarms=standing(kind, 0.0))
    key = f"{kind}.shelf"
    assert "snoozed until" in panel.ask("snooze", alarm=key, seconds=hours * HOUR)
    if hours < 168:  # the longest that may be asked for at all
        with pytest.raises(RefusedError, match=f"allowed: snoozed for up to {hours} h"):
            panel.ask("snooze", alarm=key, seconds=hours * HOUR + 1)


def test_an_alarm_is_found_whatever_its_capitals_and_a_slip_names_the_nearest() -> None:
    panel = Panel()
    panel.alarms = {
        "emergence-overdue.LET1": Alarm(
            "emergence-overdue.LET1", "emergence-overdue", "shelf", "LET1", "late", START
        )
    }
    panel.ask("acknowledge", alarm=" Emergence-Overdue.let1 ")
    assert panel.alarms["emergence-overdue.LET1"].acknowledged
    with pytest.raises(RefusedError, match="did you mean") as caught:
        panel.ask("acknowledge", alarm="emergence-overdue.LET2")
    assert "did you mean 'emergence-overdue.LET1'?; standing: emergence-overdue.LET1" in str(
        caught.value
    )
    with pytest.raises(RefusedError, match="none stands"):
        Panel().ask("acknowledge", alarm="x")


def test_nothing_wrong_is_nothing_to_do() -> None:
    alarms: dict[str, Alarm] = {}
    pending: dict[str, float] = {}
    after, waiting, events = step(alarms, pending, {}, Now(0.0, 0.0))
    assert after is alarms
    assert waiting is pending
    assert events == []


@settings(deadline=None, max_examples=150)
@given(
    moves=st.lists(
        st.tuples(
            st.sets(st.sampled_from([AT_ONCE, LATER, LATCHING])),
            st.sampled_from([1.0, 60.0, 599.0, 600.0, HOUR]),
            st.sampled_from(["", "", "acknowledge", "snooze", "reset"]),
        ),
        max_size=30,
    )
)
def test_whatever_comes_and_goes_an_alarm_is_one_of_four_states_and_told_when_it_changes(
    moves: list[tuple[set[str], float, str]],
) -> None:
    panel = Panel()
    since: dict[str, float] = {}
    for kinds, after, asked in moves:
        before = dict(panel.states)
        texts = panel.step(*sorted(kinds), after=after)
        since = {kind: since.get(kind, panel.mono) for kind in kinds}
        for kind, state in panel.states.items():
            assert state in ("active", "acknowledged", "returned", "shelved")
            if kind not in before:
                assert any(CATALOGUE[kind].title in text for text in texts)
                assert panel.mono - since[kind] >= CATALOGUE[kind].delay
        for kind in kinds:
            if panel.mono - since[kind] >= CATALOGUE[kind].delay:
                assert panel.states[kind] in ("active", "acknowledged", "shelved")
        if before.get(LATCHING):
            assert LATCHING in panel.states
        if asked and panel.alarms:
            key = sorted(panel.alarms)[0]
            if asked != "reset" or panel.alarms[key].latched:
                panel.ask(asked, alarm=key)


# --- first out, and the catalogue ------------------------------------------------------------------


def standing(kind: str, began: float | None, bench: str = "shelf", **more: Any) -> dict[str, Alarm]:
    key = f"{kind}.{bench}"
    return {key: Alarm(key, kind, bench, None, "c", START, began=began, **more)}


def test_the_first_of_several_alarms_of_a_bench_is_first_out_whatever_is_more_urgent() -> None:
    alarms = (
        standing("crop-too-hot", 900.0)
        | standing("probes-disagree", 300.0, active=False)
        | standing("soil-over-limit", 1000.0)
        | standing("probe-lost", 100.0, "other")
    )
    assert first_out(alarms) == dict.fromkeys(
        ("crop-too-hot.shelf", "probes-disagree.shelf", "soil-over-limit.shelf"),
        "probes-disagree.shelf",
    )


def test_one_alone_long_after_or_of_a_batch_or_of_the_site_is_nobodys_follower() -> None:
    late = standing("probe-lost", 0.0) | standing("crop-too-hot", ONE_FAULT + 1.0)
    assert first_out(late) == {}
    assert first_out(standing("probe-lost", 0.0) | standing("crop-too-hot", ONE_FAULT)) != {}
    people = {"d": Alarm("d", "dry-cells", "shelf", "TOM1", "c", START, began=5.0)}
    assert first_out(people | standing("probe-lost", 0.0)) == {}
    site_wide = {
        key: Alarm(key, key, None, None, "c", START, began=0.0)
        for key in ("clock-unset", "journal-unwritable")
    }
    assert first_out(site_wide) == {}
    assert first_out(standing("probe-lost", None) | standing("crop-too-hot", 0.0)) == {}


def test_what_began_at_once_is_told_apart_by_urgency() -> None:
    together = standing("probe-lost", 5.0) | standing("soil-over-limit", 5.0)
    assert set(first_out(together).values()) == {"soil-over-limit.shelf"}


def test_an_alarm_knows_since_when_its_condition_stands_and_not_only_since_it_was_raised() -> None:
    panel = Panel()
    panel.step(LATER)
    panel.step(LATER, AT_ONCE, after=DELAY)
    late, early = panel.alarms[f"{LATER}.shelf"], panel.alarms[f"{AT_ONCE}.shelf"]
    assert (late.began, early.began) == (100.0, 100.0 + DELAY)
    assert first_out(panel.alarms)[early.key] == late.key


def test_one_that_a_record_ends_returns_at_once_though_it_took_its_time_to_come() -> None:
    panel = Panel()
    panel.step("dry-cells")
    panel.step("dry-cells", after=CATALOGUE["dry-cells"].delay)
    assert panel.states == {"dry-cells": "active"}
    panel.step(after=1.0)
    assert panel.states == {"dry-cells": "returned"}


def test_probes_that_disagreed_agree_again_only_a_deadband_closer() -> None:
    two = site(bench(soil=("front", "back")))
    runner = Runner(two, Memory())

    def apart(kelvin: float, seconds: float) -> str | None:
        end = runner.utc + seconds
        while runner.utc < end:
            step = (int(runner.utc) // 900 % 2) / 16
            runner.extra["shelf/front"] = good(20.0 + step, 0.0)
            runner.extra["shelf/back"] = good(20.0 + step + kelvin, 0.0)
            runner.tick()
        alarm = runner.memory.alarms.get("probes-disagree.shelf")
        return alarm.state if alarm is not None else None

    assert apart(3.5, HOUR) is None
    assert apart(4.5, HOUR) == "active"
    assert apart(3.5, 2 * HOUR) == "active"
    assert apart(2.9, HOUR) == "returned"


def test_the_page_of_alarms_is_that_of_the_code() -> None:
    assert PATH.read_text(encoding="utf-8") == markdown(), (
        "the kinds have changed: run `python -m daemon.catalogue` and commit what it writes"
    )
    assert all(f"\n## {kind}\n" in markdown() for kind in CATALOGUE)


def test_only_what_can_burn_or_freeze_wakes_anybody() -> None:
    wakes = {kind for kind, one in CATALOGUE.items() if one.wakes}
    assert wakes == {"soil-over-limit", "warms-unheated", "relay-unconfirmed", "left-out"}
    # The standard's advice, from memory: few of the highest priority, or none is.
    assert sum(one.priority == "critical" for one in CATALOGUE.values()) <= len(CATALOGUE) / 5


@pytest.mark.parametrize("kind", ["relay-unconfirmed", "no-soil-reading", "probe-lost"])
def test_a_loose_contact_raises_its_alarm_once_however_it_flickers(kind: str) -> None:
    panel = Panel()
    raised = 0
    for minute in range(600):
        told = panel.step(*[kind] * (minute * 7919 % 10 < 7), after=60.0)
        raised += len(told)
    assert raised == 1
    panel.step(after=60.0)
    assert panel.step(after=1800.0) == [f"returned to normal: {CATALOGUE[kind].title}"]
