"""Bugs to plant in a copy of the program, and where the fault campaign finds each.

Every one is a slip that could be made, in one place. A scenario is given by its seed, its days and
the numbers of its troubles, as a campaign's own shortening left it.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]
PACKAGES = ("daemon", "drivers", "profiles", "sim")


@dataclass(frozen=True)
class Planted:
    """name: the slip. file: where. right, wrong: what is there, once, and what takes its place.
    found: the invariant that breaks, in the scenario of `seed`, `days` and `only`."""

    name: str
    file: str
    right: str
    wrong: str
    found: str = ""
    seed: int = 0
    days: int = 14
    only: str = ""

    def plant(self, folder: Path) -> None:
        """A copy of the program with the bug in it. Raises ValueError where it no longer fits."""
        for package in PACKAGES:
            shutil.copytree(
                CHECKOUT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__")
            )
        path = folder / self.file
        text = path.read_text(encoding="utf-8")
        if text.count(self.right) != 1:
            raise ValueError(
                f"{self.name}: {self.right!r} is {text.count(self.right)} times in {self.file}"
            )
        path.write_text(text.replace(self.right, self.wrong), encoding="utf-8")


BUGS = (
    Planted(
        "the grace without a reading never ends",
        "daemon/interlocks.py",
        "if age >= grace or age < 0:",
        "if age < 0:",
        found="mat-without-reading",
        seed=20,
        days=3,
        only="1",
    ),
    Planted(
        "no limit of heat holds",
        "daemon/interlocks.py",
        "return hottest >= limit or (held and hottest > limit - release)",
        "return False",
        found="alarm-in-time:crop-too-hot",
        seed=96,
        days=2,
        only="1",
    ),
    Planted(
        "a night may be cut short",
        "daemon/interlocks.py",
        'return light, f"the dark period has {_span(left)} to go"',
        "return light, None",
        found="darkness",
        seed=3083,
        days=5,
        only="5",
    ),
    Planted(
        "heating without effect is never counted",
        "daemon/interlocks.py",
        "on_s += 0.0 if disturbed else dt",
        "on_s += 0.0",
        found="alarm-in-time:probe-out",
        seed=41,
        days=2,
        only="0",
    ),
    Planted(
        "the warmth of a lamp just gone off is missed at its mat",
        "daemon/interlocks.py",
        "pace += LAMP_LIFT / LAMP_FADE * exp(-lamp_off_for / LAMP_FADE) * dt",
        "pace += 0.0",
        found="alarm-without-cause",
        seed=103,
        days=5,
        only="none",
    ),
    Planted(
        "what a person keeps off is only said to be off",
        "daemon/decide.py",
        'self.mat, self.mat_why = False, f"kept off by {keep.by}"',
        'self.mat_why = f"kept off by {keep.by}"',
        found="kept-off",
        seed=211,
        days=5,
        only="1",
    ),
    Planted(
        "a clock that cannot be right raises no alarm",
        "daemon/decide.py",
        "if not now.trusted:",
        "if False:",
        found="alarm-in-time:clock-unset",
        seed=160,
        days=1,
        only="1",
    ),
    Planted(
        "a frozen probe is good for ever",
        "drivers/vetting.py",
        "if state.still_s >= limits.frozen_s or state.still_active_s >= limits.frozen_active_s:",
        "if False:",
        found="alarm-in-time:frozen",
        seed=160,
        days=3,
        only="3",
    ),
    Planted(
        "a plug is given no end of its lease",
        "drivers/mqtt.py",
        "left = str(max(1, math.ceil(self._until - now)))",
        'left = "864000"',
        found="lease",
        seed=64,
        days=4,
        only="0",
    ),
    Planted(
        "the lamps go by universal time",
        "daemon/control.py",
        "local = datetime.combine(day, time(), tzinfo=zone) + lights_on",
        "local = datetime.combine(day, time(), tzinfo=UTC) + lights_on",
        found="schedule",
        seed=157,
        days=4,
        only="none",
    ),
    Planted(
        "a start forgets what is kept off",
        "daemon/outage.py",
        "return replace(memory, benches={name",
        "return replace(memory, keeps={}, benches={name",
        found="acknowledged-kept",
        seed=2129,
        days=2,
        only="1,3",
    ),
    Planted(
        "a welded relay goes unseen",
        "daemon/interlocks.py",
        'fault = "warms-unheated" if lift - base > allowed else None',
        "fault = None",
        found="alarm-in-time:relay-welded-warm",
        seed=235,
        days=6,
        only="3",
    ),
    Planted(
        "the last load may go over the budget",
        "daemon/interlocks.py",
        "if total + watts <= budget:",
        "if total < budget:",
        found="power-budget",
        seed=36,
        days=7,
        only="none",
    ),
    Planted(
        "a relay may go on again at once",
        "daemon/decide.py",
        "if not on and wanted and now - since < spec.min_off:",
        "if not on and wanted and now < since:",
        found="least-times",
        seed=13,
        days=2,
        only="none",
    ),
    Planted(
        "a lamp that is dark though it is on is not told",
        "daemon/decide.py",
        "if self.lamp and not self.lit:",
        "if False:",
        found="alarm-in-time:lamp-dark",
        seed=120,
        days=2,
        only="0",
    ),
)
