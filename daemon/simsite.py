"""Where `hotbed run --simulate` is found; apart from the simulator, which nobody else must load."""

from __future__ import annotations

SIM_SITE = "alder-lane"
SIM_PORT = 18830
SIM_ZONE = "Europe/Berlin"
