"""Whether a site's daemon is alive, as told by another machine that listens on the broker. Pure.

A daemon that hangs still has its connection, and what it last said stands on the broker: so only a
message that is newer than the one before is a sign of life. A bench is published at each tick, which
comes at least once a minute.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.care import worded_span

#: A daemon that says it stopped is given so long [s] to start again before that counts as silence.
RESTART = 60.0


@dataclass(slots=True)
class Vigil:
    """What was heard of one site, and since when there is silence; all times mono.

    patience: how long [s] nothing may be heard. began: when it began to listen.
    """

    site: str
    patience: float
    began: float
    life_at: float | None = None
    stopped_at: float | None = None
    lost: str = ""
    known: bool = False
    _told: dict[str, str] = field(default_factory=dict)

    def hear(self, name: str, content: Mapping[str, Any] | None, now: float) -> None:
        """A message of the site, by its topic less `hotbed/<site>/`; None where a topic was cleared."""
        self.lost = ""
        if name == "availability":
            if content is None:
                return
            self.known = True
            online = content.get("state") == "online"
            if online:
                self.stopped_at = None
            elif self.stopped_at is None:
                self.stopped_at = now
        elif name.startswith("bench/") and content is not None:
            at, before = str(content.get("at")), self._told.get(name)
            self.known = True
            self._told[name] = at
            if before is not None and at != before:  # the first may be an old one that was kept
                self.life_at, self.stopped_at = now, None

    def connected(self) -> None:
        """The broker is there."""
        self.lost = ""

    def lose(self, why: str) -> None:
        """The broker can't be reached."""
        self.lost = why

    def silence(self, now: float) -> str:
        """Why there is silence, in a sentence; empty while there is none, or it is too early to tell."""
        since = self.began if self.life_at is None else self.life_at
        quiet, late = worded_span(now - since), now - since >= self.patience
        if self.stopped_at is not None and (late or now - self.stopped_at >= RESTART):
            stopped = worded_span(now - self.stopped_at)
            return (
                f"the daemon of {self.site} stopped, or lost its power or its network, {stopped} ago: "
                "nobody watches the benches"
            )
        if not late:
            return ""
        if self.lost:
            return f"nothing heard of {self.site} for {quiet}: {self.lost}"
        if not self.known:
            return f"no daemon of site {self.site} is known to the broker, {quiet} long"
        return f"nothing heard of {self.site} for {quiet}, though the broker is there: it may hang"


def alive(vigil: Vigil) -> bool:
    """Whether a sign of life was heard since it began to listen."""
    return vigil.life_at is not None and vigil.stopped_at is None
