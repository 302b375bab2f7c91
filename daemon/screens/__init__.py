"""What a person sees, built of Rich renderables: plain sentences, readable without colour at 80 columns.

Every function is pure: it takes what was read, and returns what to print. Text that came from
elsewhere goes through `plain` and never through Rich's markup.
"""

from daemon.screens.base import View, console, plain
from daemon.screens.checks import findings
from daemon.screens.closer import about, closer, reasons, subject
from daemon.screens.crops import crop_sheet, crops, trades
from daemon.screens.history import event_line, history
from daemon.screens.leave import leave
from daemon.screens.site import STALE, Picture, age, alarms, behind, status

__all__ = [
    "STALE", "Picture", "View", "about", "age", "alarms", "behind", "closer", "console",
    "crop_sheet", "crops", "event_line", "findings", "history", "leave", "plain", "reasons", "status",
    "subject", "trades",
]  # fmt: skip
