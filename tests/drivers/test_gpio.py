"""GPIO relays, driven through gpiozero itself: on its mock pins, and over a stand-in for lgpio."""

from __future__ import annotations

import asyncio
import importlib.util
import math
import subprocess
import sys
import textwrap
import time
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

import pytest
from gpiozero.pins.mock import MockFactory, MockPin
from hypothesis import given
from hypothesis import strategies as st

from drivers import gpio
from drivers.gpio import GpioRelay, drive_all_off, open_factory, pin_problem
from drivers.protocols import DriverError, Relay, RelayState

Active = Literal["high", "low"]
ACTIVE = pytest.mark.parametrize("active", ["high", "low"])
ROOT = Path(__file__).parents[2]


class RecordingPin(MockPin):  # type: ignore[misc]
    """A mock pin that also keeps the order of what is done to it."""

    def __init__(self, *args: Any) -> None:
        self.log: list[object] = []
        self.broken = False
        super().__init__(*args)

    def _set_function(self, value: str) -> None:
        self.log.append(value)
        super()._set_function(value)

    def _set_state(self, value: bool) -> None:
        if self.broken:
            raise OSError("stuck")
        self.log.append(bool(value))
        super()._set_state(value)


@pytest.fixture
def factory() -> MockFactory:
    return MockFactory(pin_class=RecordingPin)


@pytest.fixture
def make(factory: MockFactory) -> Iterator[Callable[..., GpioRelay]]:
    made: list[GpioRelay] = []

    def make(active: Active = "high", pin: int = 17, name: str = "lamp") -> GpioRelay:
        made.append(GpioRelay(name, pin, active, factory))
        asyncio.run(made[-1].start())
        return made[-1]

    yield make
    for relay in made:
        relay.release()


def levels(pin: MockPin) -> list[bool]:
    return [state.state for state in pin.states]


def wait_until(true: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.005)


def test_it_is_a_relay_as_the_daemon_knows_them(make: Callable[..., GpioRelay]) -> None:
    relay: Relay = make()
    assert relay.state() == RelayState(commanded=False, confirmed=None, fault=None)


@ACTIVE
def test_a_season_on_one_pin_state_by_state(
    active: Active, factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    on, off = active == "high", active == "low"
    pin = factory.pin(17)
    relay = make(active)
    assert relay.state().commanded is False
    relay.set(True, 30)
    assert relay.state().commanded is True
    relay.set(True, 30)
    relay.set(False, 30)
    relay.set(False, 30)
    relay.set(True, 30)
    asyncio.run(relay.close())
    # A floating mock pin reads low until it is taken; from then on, off is the first thing it is.
    start = [False] if off is False else [False, True]
    assert levels(pin) == [*start, on, off, on, off]
    assert pin.function == "input"


@ACTIVE
def test_close_drives_off_before_it_releases(
    active: Active, factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    relay = make(active)
    relay.set(True, 30)
    pin = factory.pin(17)
    pin.log.clear()
    asyncio.run(relay.close())
    asyncio.run(relay.close())
    assert pin.log == [active == "low", "input"]


def test_a_closed_relay_ignores_what_it_is_asked_and_says_so(
    factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    relay = make()
    asyncio.run(relay.close())
    relay.set(True, 30)
    assert factory.pin(17).state is False
    assert factory.pin(17).function == "input"
    assert relay.state() == RelayState(False, None, "relay 'lamp' is not open")


def test_a_relay_not_yet_started_ignores_what_it_is_asked(factory: MockFactory) -> None:
    relay = GpioRelay("lamp", 17, "high", factory)
    relay.set(True, 30)
    assert relay.state().commanded is False
    assert relay.state().fault is not None
    asyncio.run(relay.close())


def test_a_pin_is_free_again_after_close(make: Callable[..., GpioRelay]) -> None:
    asyncio.run(make(name="lamp").close())
    assert make(name="mat").state().fault is None


@ACTIVE
def test_a_lease_that_is_not_renewed_ends_though_no_loop_runs(
    active: Active, factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    relay = make(active)
    pin = factory.pin(17)
    pin.clear_states()
    relay.set(True, 0.1)
    assert relay.state().commanded is True
    wait_until(lambda: not relay.state().commanded)
    assert levels(pin) == [active == "low", active == "high", active == "low"]
    assert 0.099 <= pin.states[-1].timestamp < 5


def test_a_renewed_lease_outlives_the_first_deadline(
    factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    relay = make()
    relay.set(True, 0.2)
    relay.set(True, 30)
    time.sleep(0.3)
    assert relay.state().commanded is True
    assert factory.pin(17).state is True


def test_a_shorter_lease_wakes_a_watchdog_that_sleeps_for_a_longer_one(
    make: Callable[..., GpioRelay],
) -> None:
    lamp, mat = make(name="lamp", pin=17), make(name="mat", pin=18)
    lamp.set(True, 500)
    time.sleep(0.05)  # let the watchdog fall asleep until then
    mat.set(True, 0.05)
    wait_until(lambda: not mat.state().commanded)
    assert lamp.state().commanded is True


@pytest.mark.parametrize("lease", [0.0, -1.0, math.nan, math.inf, -math.inf])
def test_an_on_without_an_end_or_already_ended_is_off(
    lease: float, factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    relay = make()
    relay.set(True, 30)
    relay.set(True, lease)
    assert relay.state().commanded is False
    assert factory.pin(17).state is False


def test_a_pin_that_refuses_is_a_fault_and_is_tried_until_it_goes_off(
    monkeypatch: pytest.MonkeyPatch, factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    monkeypatch.setattr(gpio, "_RETRY", 0.02)
    relay = make()
    pin = factory.pin(17)
    relay.set(True, 30)
    pin.broken = True
    relay.set(False, 30)
    fault = "relay 'lamp': GPIO17 could not be driven off: stuck"
    assert relay.state() == RelayState(False, None, fault)
    pin.broken = False
    wait_until(lambda: not pin.state)
    wait_until(lambda: relay.state().fault is None)


def test_a_pin_that_refuses_is_released_all_the_same(
    factory: MockFactory, make: Callable[..., GpioRelay], caplog: pytest.LogCaptureFixture
) -> None:
    relay = make()
    relay.set(True, 30)
    factory.pin(17).broken = True
    asyncio.run(relay.close())
    assert factory.pin(17).function == "input"
    assert "could not be driven off" in caplog.text


def test_everything_goes_off_at_once_and_stays_held(
    factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    relays = [make("low" if pin % 2 else "high", pin, f"r{pin}") for pin in range(28)]
    for relay in relays:
        relay.set(True, 30)
    drive_all_off()
    assert not any(relay.state().commanded for relay in relays)
    assert [factory.pin(pin).state for pin in range(28)] == [bool(pin % 2) for pin in range(28)]
    assert all(factory.pin(pin).function == "output" for pin in range(28))


def test_two_relays_on_one_pin_are_refused_and_the_first_keeps_it(
    factory: MockFactory, make: Callable[..., GpioRelay]
) -> None:
    first = make(name="lamp")
    first.set(True, 30)
    second = GpioRelay("mat", 17, "low", factory)
    with pytest.raises(DriverError, match="relay 'mat': GPIO17 is taken by another relay"):
        asyncio.run(second.start())
    assert second.state().fault is not None
    assert first.state() == RelayState(True, None, None)
    assert factory.pin(17).state is True


def test_a_pin_that_this_board_lacks_is_an_error_with_its_name() -> None:
    old_board = MockFactory(revision="0002", pin_class=MockPin)  # 26 pins on the header
    relay = GpioRelay("lamp", 26, "high", old_board)
    with pytest.raises(DriverError, match="relay 'lamp': GPIO26 cannot be used"):
        asyncio.run(relay.start())


@pytest.mark.parametrize("pin", [True, False, -1, 28, 17.0, "17", "GPIO17", None])
def test_what_is_not_a_pin_is_refused_with_the_range(pin: Any, factory: MockFactory) -> None:
    with pytest.raises(DriverError, match=r"relay 'lamp': .*whole number 0 to 27"):
        GpioRelay("lamp", pin, "high", factory)


@given(st.integers())
def test_pins_are_0_to_27(pin: int) -> None:
    assert (pin_problem(pin) is None) == (0 <= pin <= 27)


def test_a_misspelt_level_is_refused(factory: MockFactory) -> None:
    # Taken for "not high" it would start the relay on.
    with pytest.raises(DriverError, match="'high' or 'low', not 'High'"):
        GpioRelay("lamp", 17, "High", factory)  # type: ignore[arg-type]


EXIT_SCRIPT = """
import asyncio, atexit, signal, sys
from gpiozero.pins.mock import MockFactory, MockPin
from drivers.gpio import GpioRelay

class Pin(MockPin):
    def _set_function(self, value):
        print(self.info.name, value)
        super()._set_function(value)
    def _set_state(self, value):
        print(self.info.name, "high" if value else "low")
        super()._set_state(value)

async def main():
    factory = MockFactory(pin_class=Pin)
    relays = [GpioRelay("lamp", 17, "high", factory), GpioRelay("mat", 18, "low", factory)]
    for relay in relays:
        await relay.start()
        relay.set(True, 60)
    print("-- exit")
    {end}

asyncio.run(main())
"""


@pytest.mark.parametrize(
    "end", ["return", "sys.exit(3)", "raise RuntimeError('nobody caught me')", "raise SystemExit"]
)
def test_every_ordinary_exit_drives_off_and_then_releases(end: str) -> None:
    script = textwrap.dedent(EXIT_SCRIPT.format(end=end))
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert run.returncode == {"sys.exit(3)": 3}.get(end, 1 if "Runtime" in end else 0), run.stderr
    before, after = run.stdout.split("-- exit\n")
    assert before.splitlines()[-1] == "GPIO18 low"  # both are on
    done = after.splitlines()
    assert sorted(done[:2]) == ["GPIO17 low", "GPIO18 high"]  # both off before either is released
    assert sorted(set(done[2:])) == ["GPIO17 input", "GPIO17 low", "GPIO18 high", "GPIO18 input"]
    for name, off in (("GPIO17", "low"), ("GPIO18", "high")):
        assert [line for line in done if line.startswith(name)][-2:] == [
            f"{name} {off}",
            f"{name} input",
        ]


# The real pin library needs a real board. What gpiozero asks of it is seen with a stand-in.


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """The calls that reach a stand-in for the lgpio library, on what passes for a board."""
    import gpiozero.pins
    import gpiozero.pins.local

    calls: list[tuple[Any, ...]] = []
    modes: dict[int, int] = {}
    lgpio: Any = types.ModuleType("lgpio")
    lgpio.error = type("error", (Exception,), {})
    lgpio.RISING_EDGE, lgpio.FALLING_EDGE, lgpio.BOTH_EDGES = 1, 2, 3
    lgpio.SET_PULL_UP, lgpio.SET_PULL_DOWN, lgpio.SET_PULL_NONE = 32, 64, 128

    def claim_input(handle: int, pin: int, flags: int = 0) -> None:
        modes[pin] = 0
        calls.append(("input", pin))

    def claim_output(handle: int, pin: int, level: int = 0, flags: int = 0) -> None:
        if pin == 4:
            raise lgpio.error("GPIO busy")
        modes[pin] = 2
        calls.append(("output", pin, level))

    lgpio.gpiochip_open = lambda chip: 0
    lgpio.gpio_claim_input = claim_input
    lgpio.gpio_claim_output = claim_output
    lgpio.gpio_get_mode = lambda handle, pin: modes[pin]
    lgpio.gpio_write = lambda handle, pin, level: calls.append(("write", pin, int(level)))
    monkeypatch.setitem(sys.modules, "lgpio", lgpio)
    monkeypatch.setenv("LG_WD", "")
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.delattr(gpiozero.pins, "lgpio", raising=False)
    monkeypatch.setattr(gpiozero.pins.local, "get_pi_revision", lambda: 0xA02082)
    local = gpiozero.pins.local.LocalPiFactory
    monkeypatch.setattr(local, "pins", {})
    monkeypatch.setattr(local, "_reservations", type(local._reservations)(list))
    return calls


@ACTIVE
def test_on_a_board_the_output_begins_at_the_off_level(
    active: Active, board: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    on, off = int(active == "high"), int(active == "low")
    relay = GpioRelay("mat", 17, active, open_factory("lgpio", tmp_path / "run"))
    asyncio.run(relay.start())
    # Claimed low and then written, an active-low relay would get a pulse of "on".
    assert board[:2] == [("input", 17), ("output", 17, off)]
    relay.set(True, 30)
    asyncio.run(relay.close())
    assert board[2:] == [("write", 17, on), ("write", 17, off), ("input", 17)]


def test_a_pin_that_another_program_holds_is_an_error_with_a_mend(
    board: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    relay = GpioRelay("mat", 4, "low", open_factory("lgpio", tmp_path))
    with pytest.raises(DriverError, match="relay 'mat': GPIO4 cannot be used: GPIO busy; end the"):
        asyncio.run(relay.start())
    assert relay.state().commanded is False


def test_a_board_whose_pins_may_not_be_opened_says_which_file(
    board: list[tuple[Any, ...]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lgpio = sys.modules["lgpio"]

    def refuse(chip: int) -> int:
        raise lgpio.error("can not open gpiochip")

    monkeypatch.setattr(lgpio, "gpiochip_open", refuse)
    with pytest.raises(DriverError, match=r"can not open gpiochip.*/dev/gpiochip0"):
        open_factory("lgpio", tmp_path)


def test_a_board_that_gpiozero_does_not_know_says_what_to_do(
    board: list[tuple[Any, ...]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import gpiozero

    def unknown() -> int:
        raise gpiozero.PinUnknownPi("unable to locate Pi revision")

    monkeypatch.setattr(gpiozero.pins.local, "get_pi_revision", unknown)
    with pytest.raises(DriverError, match=r"unable to locate Pi revision.*MQTT relays"):
        open_factory("lgpio", tmp_path)


def test_a_missing_pin_library_says_how_to_install_it(
    board: list[tuple[Any, ...]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", None)
    with pytest.raises(DriverError, match=r"pip install 'hotbed\[gpio\]'"):
        open_factory("lgpio", tmp_path)


def test_a_runtime_folder_that_cannot_be_made_is_named(
    board: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(DriverError, match=r"a folder it can write to, and .*file/run"):
        open_factory("lgpio", tmp_path / "file" / "run")


def test_mock_pins_do_not_heed_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "native")
    monkeypatch.setenv("GPIOZERO_MOCK_PIN_CLASS", "no such class")
    assert isinstance(open_factory("mock"), MockFactory)


@pytest.mark.skipif(importlib.util.find_spec("lgpio") is None, reason="lgpio is not installed")
def test_the_real_library_leaves_nothing_in_the_working_folder(tmp_path: Path) -> None:
    script = """
        import os, sys
        sys.path.insert(0, sys.argv[1])
        from pathlib import Path
        from drivers.gpio import open_factory
        from drivers.protocols import DriverError
        try:
            open_factory("lgpio", Path("run"))
        except DriverError as error:  # everywhere but on a board
            print(error)
        print(os.getcwd())
        print(sorted(os.listdir()), len(os.listdir("run")))
    """
    run = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script), str(ROOT)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert run.stdout.splitlines()[-2:] == [str(tmp_path), "['run'] 1"]
