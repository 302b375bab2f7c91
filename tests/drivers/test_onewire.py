"""The 1-Wire driver: the real library over files in the kernel's format; every lie told apart."""

from __future__ import annotations

import asyncio
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.onewire import (
    OneWireBus,
    ProbeReadError,
    check_text,
    crc8,
    device_id_problem,
    list_devices,
    nearest_id,
    read_device,
    w1_slave_text,
)
from drivers.protocols import DriverError, Probe, Quality, Reading

ID = "28-0000075e2a1b"
OTHER = "28-0316a2795bff"
HALVES = "10-000802b4a1c0"
ROOT = Path(__file__).parents[2]

# Power-on text of a DS18B20 as Linux prints it (from memory; the check sum was not made by us).
POWER_ON = "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"

# Register and temperature: DS18B20 data sheet (Analog Devices, formerly Maxim), Table 1, but +85.
TABLE_1 = [
    ("07D0", 125.0),
    ("0191", 25.0625),
    ("00A2", 10.125),
    ("0008", 0.5),
    ("0000", 0.0),
    ("FFF8", -0.5),
    ("FF5E", -10.125),
    ("FE6F", -25.0625),
    ("FC90", -55.0),
]


def kernel_text(low_first: str, thousandths: int) -> str:
    """The two lines for eight scratchpad bytes in hexadecimal."""
    scratchpad = bytes.fromhex(low_first)
    crc = crc8(scratchpad)
    line = f"{scratchpad.hex(' ')} {crc:02x}"
    return f"{line} : crc={crc:02x} YES\n{line} t={thousandths}\n"


GOOD = kernel_text("50 01 4b 46 7f ff 0c 10", 21000)


class SkippingClock:
    """Real time that a test can push on."""

    def __init__(self) -> None:
        self.skipped = 0.0

    def mono(self) -> float:
        return time.monotonic() + self.skipped

    def utc(self) -> float:
        return time.time()


async def until(probe: Probe, good: Callable[[Reading], bool]) -> Reading:
    """The first reading that is as wished; fails after five seconds."""
    last = probe.latest()
    for _ in range(1000):
        if good(last := probe.latest()):
            return last
        await asyncio.sleep(0.005)
    raise AssertionError(f"still {last}")


def quality_is(quality: Quality) -> Callable[[Reading], bool]:
    return lambda reading: reading.quality is quality


def refused(w1: Any, device_id: str = ID) -> ProbeReadError:
    with pytest.raises(ProbeReadError) as caught:
        read_device(w1.path, device_id)
    return caught.value


# --- decoding -----------------------------------------------------------------------------------


def test_the_check_sum_is_that_of_the_published_examples() -> None:
    # Maxim Integrated, Application Note 27: ROM 02 1C B8 01 00 00 00 has the CRC A2.
    assert crc8(bytes.fromhex("021cb801000000")) == 0xA2
    # Check value of CRC-8/MAXIM-DOW in the catalogue of parametrised CRC algorithms (from memory).
    assert crc8(b"123456789") == 0xA1


@pytest.mark.parametrize(("register", "celsius"), TABLE_1)
def test_the_data_sheet_table_decodes_to_its_temperatures(
    w1: Any, register: str, celsius: float
) -> None:
    low_first = f"{register[2:]} {register[:2]} 4b 46 7f ff 0c 10"
    w1.put(ID, kernel_text(low_first, int(celsius * 1000)))
    assert read_device(w1.path, ID) == celsius


def test_temperatures_all_over_the_range_come_back_as_they_were_printed(w1: Any) -> None:
    for count in range(-55 * 16, 125 * 16 + 1, 11):
        w1.put(ID, w1_slave_text(count / 16))
        assert read_device(w1.path, ID) == count / 16


def test_the_printed_text_is_the_kernels(w1: Any) -> None:
    assert w1_slave_text(85.0) == POWER_ON
    assert w1_slave_text(-0.0625).endswith(" t=-62\n")  # C truncates towards zero
    w1.put(ID, w1_slave_text(-7.3125))
    assert read_device(w1.path, ID) == -7.3125
    with pytest.raises(ValueError, match="does not fit"):
        w1_slave_text(3000.0)


def test_the_offset_of_the_ice_bath_is_added_to_good_values_only(w1: Any) -> None:
    w1.put(ID, GOOD)
    assert read_device(w1.path, ID, offset=-0.4) == pytest.approx(20.6)
    w1.put(ID, w1_slave_text(85.0))
    with pytest.raises(ProbeReadError) as caught:
        read_device(w1.path, ID, offset=-0.4)
    assert (caught.value.quality, caught.value.value) == (Quality.POWER_ON, 85.0)
    w1.put(ID, w1_slave_text(85.4375))
    assert read_device(w1.path, ID, offset=-0.4375) == 85.0


def test_the_elder_sensor_that_counts_halves_is_read_by_the_kernels_thousandths(w1: Any) -> None:
    # DS18S20: 32h is 25 °C in halves; 25 - 0.25 + (16 - 0Ch) / 16 = 25.0 by its data sheet.
    w1.put(HALVES, kernel_text("32 00 4b 46 ff ff 0c 10", 25000))
    assert read_device(w1.path, HALVES) == 25.0
    w1.put(HALVES, kernel_text("aa 00 4b 46 ff ff 0c 10", 85000))
    assert refused(w1, HALVES).quality is Quality.POWER_ON
    w1.put(HALVES, kernel_text("32 00 4b 46 ff ff 0c 10", 2500))
    assert refused(w1, HALVES).quality is Quality.GARBLED


def test_a_clone_that_prints_finer_than_its_register_is_believed_to_the_sixteenth(w1: Any) -> None:
    # Some sensors of this family measure to 1/64 °C; the kernel adds the two bits (from memory).
    w1.put(ID, kernel_text("50 01 4b 46 ff ff 0c 10", 21046))
    assert read_device(w1.path, ID) == 21.0


# --- lies ---------------------------------------------------------------------------------------

FIRST, SECOND = GOOD.splitlines(keepends=True)
ONES = "ff ff ff ff ff ff ff ff ff : crc=c9 NO\n"

LIES = {
    "an unreachable sensor's empty file": ("", Quality.MISSING),
    "nothing but a line end": ("\n", Quality.MISSING),
    "a line held low, whose check sum fits": (
        f"{'00 ' * 9}: crc=00 YES\n{'00 ' * 9}t=0\n",
        Quality.MISSING,
    ),
    "a line held high": (ONES + SECOND, Quality.MISSING),
    "the kernel's NO": (FIRST.replace("crc=e8 YES", "crc=12 NO") + SECOND, Quality.CRC),
    "NO, and no second line": (FIRST.replace("YES", "NO"), Quality.CRC),
    "YES to bytes that do not fit": (GOOD.replace("50 01", "51 01"), Quality.CRC),
    "YES with another check sum": (GOOD.replace("crc=e8", "crc=fd"), Quality.CRC),
    "a second line that does not fit": (FIRST + SECOND.replace("50", "60"), Quality.CRC),
    "the first line only": (FIRST, Quality.GARBLED),
    "a second line cut to 5.875 °C": (FIRST + "5e 0", Quality.GARBLED),
    "no thousandths": (FIRST + SECOND[:29], Quality.GARBLED),
    "thousandths cut short": (GOOD[:-3] + "\n", Quality.GARBLED),
    "not hexadecimal": (GOOD.replace("50", "5x"), Quality.GARBLED),
    "one byte too few": (GOOD.replace("4b ", ""), Quality.GARBLED),
    "a third line": (GOOD + SECOND, Quality.GARBLED),
    "lines of two temperatures": (FIRST + w1_slave_text(22).splitlines()[1], Quality.GARBLED),
    "lines of two sensors at one temperature": (
        FIRST + kernel_text("50 01 4b 46 7f ff 0d 10", 21000).splitlines()[1],
        Quality.GARBLED,
    ),
    "thousandths of another temperature": (GOOD.replace("t=21000", "t=23000"), Quality.GARBLED),
    "binary": (b"\xfe\x80" + GOOD.encode(), Quality.GARBLED),
    "the power-on value": (POWER_ON, Quality.POWER_ON),
    "hotter than the sensor measures": (w1_slave_text(125.0625), Quality.OUT_OF_RANGE),
    "colder than the sensor measures": (w1_slave_text(-55.0625), Quality.OUT_OF_RANGE),
    "the register's end": (w1_slave_text(2047.9375), Quality.OUT_OF_RANGE),
}


@pytest.mark.parametrize(("text", "quality"), LIES.values(), ids=LIES.keys())
def test_each_way_of_lying_has_its_own_name(w1: Any, text: str | bytes, quality: Quality) -> None:
    w1.put(ID, text)
    error = refused(w1)
    assert error.quality is quality
    assert str(error)


def test_a_true_85_degrees_cannot_be_told_and_its_neighbours_are_good(w1: Any) -> None:
    w1.put(ID, w1_slave_text(84.9375))
    assert read_device(w1.path, ID) == 84.9375
    w1.put(ID, w1_slave_text(85.0))
    assert refused(w1).value == 85.0


def test_what_is_not_there_is_missing_and_the_text_says_what_is_not(w1: Any) -> None:
    assert "no device" in str(refused(w1))
    (w1.path / ID).mkdir()
    error = refused(w1)
    assert error.quality is Quality.MISSING
    assert "w1_therm" in str(error)
    (w1.path / ID / "w1_slave").mkdir()
    assert refused(w1).quality is Quality.MISSING


def test_an_endless_file_is_garbled(w1: Any) -> None:
    w1.file(ID).symlink_to("/dev/zero")
    assert refused(w1).quality is Quality.GARBLED


@given(
    count=st.integers(-55 * 16, 125 * 16).filter(lambda count: count != 85 * 16),
    data=st.data(),
)
def test_no_damage_to_one_character_nor_any_cut_changes_a_temperature_unseen(
    count: int, data: st.DataObject
) -> None:
    text = w1_slave_text(count / 16)
    at = data.draw(st.integers(0, len(text) - 1))
    character = data.draw(st.sampled_from("0123456789abcdef xYESNO:=t-\n\0"))
    damaged = data.draw(
        st.sampled_from(
            [text[:at] + character + text[at + 1 :], text[:at], text[:at] + text[at + 1 :]]
        )
    )
    try:
        check_text(damaged, "28")
    except ProbeReadError:
        return
    # What passes still holds the same nine bytes, from which the library decodes.
    assert damaged.splitlines()[1][:26] == text.splitlines()[1][:26]


# --- names --------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", [ID, OTHER, HALVES, "22-000000000001", "42-00000000000f"])
def test_a_thermometers_id_is_accepted(text: str) -> None:
    assert device_id_problem(text) is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("28-0000075E2A1B", "lower case"),
        ("28-0000075e2a1", "hyphen"),
        ("280000075e2a1b", "hyphen"),
        (ID + "\n", "hyphen"),
        ("28-0000075e2a1g", "hexadecimal"),
        ("../../etc/passwd", "hexadecimal"),
        ("", "hexadecimal"),
        ("01-0000075e2a1b", "no thermometer"),
    ],
)
def test_any_other_text_is_refused_with_the_pattern(text: str, says: str) -> None:
    assert says in str(device_id_problem(text))
    with pytest.raises(DriverError, match="probe basil"):
        OneWireBus(SkippingClock()).probe(text, "basil")


def test_only_thermometers_are_listed_and_odd_folders_do_no_harm(w1: Any) -> None:
    for name in (OTHER, ID, HALVES, "w1_bus_master1", "01-000000000001", "28-odd"):
        (w1.path / name).mkdir()
    (w1.path / "28-0000000000aa").write_text("a file")
    (w1.path / "28-0000000000bb").symlink_to(w1.path / "nowhere")
    assert list_devices(w1.path) == [HALVES, ID, OTHER]
    assert list_devices(w1.path / "nowhere") == []
    assert list_devices(w1.path / "28-0000000000aa") == []


@pytest.mark.parametrize(
    "slip",
    ["28-0000075e2alb", "28-0000075E2A1B", "28-000075e2a1b", "28-0000075e2ab1", "0000075e2a1b"],
)
def test_a_slip_of_the_pen_finds_the_id_that_was_meant(slip: str) -> None:
    assert nearest_id(slip, [OTHER, ID, HALVES]) == ID
    assert nearest_id(OTHER.upper(), [OTHER, ID, HALVES]) == OTHER


def test_an_id_like_none_present_finds_none() -> None:
    assert nearest_id("28-ffffffffffff", [ID, OTHER]) is None
    assert nearest_id(ID, []) is None


# --- in the background --------------------------------------------------------------------------


async def test_a_probe_follows_its_device_through_loss_and_return(w1: Any) -> None:
    clock = SkippingClock()
    probe = OneWireBus(clock, devices=w1.path, interval=0.01).probe(ID, "basil", offset=0.25)
    assert probe.latest().quality is Quality.MISSING
    await probe.start()
    w1.put(ID, GOOD)
    reading = await until(probe, quality_is(Quality.OK))
    assert reading.value == 21.25
    assert 0 <= clock.mono() - reading.at < 5
    w1.put(ID, w1_slave_text(24.5))
    later = await until(probe, lambda reading: reading.value == 24.75)
    assert later.at > reading.at
    w1.file(ID).unlink()
    assert (await until(probe, quality_is(Quality.MISSING))).value is None
    w1.put(ID, POWER_ON)
    assert (await until(probe, quality_is(Quality.POWER_ON))).value == 85.0
    w1.put(ID, GOOD)
    await until(probe, quality_is(Quality.OK))
    await probe.close()


async def test_a_hung_read_is_slow_in_time_and_delays_no_other_probe(w1: Any) -> None:
    clock = SkippingClock()
    w1.put(OTHER, w1_slave_text(18.0))
    w1.hang(ID)
    bus = OneWireBus(clock, devices=w1.path, interval=0.01, conversion_limit=20.0)
    hung, sound = bus.probe(ID, "hung"), bus.probe(OTHER, "sound")
    assert bus.limit == 40.0
    await hung.start()
    await sound.start()
    await until(sound, lambda reading: reading.value == 18.0)
    clock.skipped += 30.0
    assert hung.latest().quality is Quality.MISSING  # two probes share the bus: 40 s, not 20
    clock.skipped += 11.0
    slow = hung.latest()
    assert (slow.value, slow.quality) == (None, Quality.SLOW)
    clock.skipped += 60.0
    assert hung.latest() == slow  # one reading, tick after tick
    w1.put(OTHER, w1_slave_text(19.0))
    await until(sound, lambda reading: reading.value == 19.0 and reading.at > slow.at)
    for probe in (hung, sound):
        await probe.close()


async def test_a_late_answer_does_not_steer_and_the_next_one_in_time_does(
    w1: Any, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "drivers.onewire")
    clock = SkippingClock()
    fifo = w1.hang(ID)
    probe = OneWireBus(clock, devices=w1.path, interval=0.01).probe(ID, "late")
    await probe.start()
    # Opening for writing succeeds only once the read waits at the other end.
    writer = await _open_for_writing(fifo)
    w1.put(ID, w1_slave_text(23.0))
    clock.skipped += 60.0
    assert probe.latest().quality is Quality.SLOW
    os.write(writer, GOOD.encode())
    os.close(writer)
    assert (await until(probe, quality_is(Quality.OK))).value == 23.0
    said = [record.getMessage().split() for record in caplog.records]
    assert [words[3] for words in said if words[1] == "late"] == ["slow:", "ok:"]
    await probe.close()


async def _open_for_writing(fifo: Path) -> int:
    for _ in range(1000):
        try:
            return os.open(fifo, os.O_WRONLY | os.O_NONBLOCK)
        except OSError:
            await asyncio.sleep(0.005)
    raise AssertionError("nobody reads")


async def test_closing_returns_at_once_while_a_read_hangs_and_stops_those_that_do_not(
    w1: Any,
) -> None:
    w1.hang(ID)
    w1.put(OTHER, GOOD)
    bus = OneWireBus(SkippingClock(), devices=w1.path, interval=0.01)
    probes = [bus.probe(ID, "hung"), bus.probe(OTHER, "sound")]
    for probe in probes:
        await probe.start()
    await until(probes[1], quality_is(Quality.OK))
    async with asyncio.timeout(1):
        for probe in probes:
            await probe.close()
    for _ in range(1000):
        if "1-wire sound" not in {thread.name for thread in threading.enumerate()}:
            break
        await asyncio.sleep(0.005)
    else:
        raise AssertionError("the sound probe is still read")


async def test_an_error_that_nobody_foresaw_is_garbled_and_reading_goes_on(
    w1: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    w1.put(ID, GOOD)
    with monkeypatch.context() as patch:
        patch.setattr("drivers.onewire.check_text", lambda text, family: 1 / 0)
        probe = OneWireBus(SkippingClock(), devices=w1.path, interval=0.01).probe(ID, "basil")
        await probe.start()
        await until(probe, quality_is(Quality.GARBLED))
    await until(probe, quality_is(Quality.OK))
    await probe.close()


def test_a_process_ends_while_a_read_hangs(w1: Any) -> None:
    w1.hang(ID)
    script = f"""
import asyncio, pathlib, time
from drivers.onewire import OneWireBus
class Clock:
    mono = staticmethod(time.monotonic)
    utc = staticmethod(time.time)
async def main():
    bus = OneWireBus(Clock(), devices=pathlib.Path({str(w1.path)!r}), conversion_limit=0.05)
    probe = bus.probe({ID!r}, "hung")
    await probe.start()
    while probe.latest().quality != "slow":
        await asyncio.sleep(0.01)
    await probe.close()
asyncio.run(main())
print("ended")
"""
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=20
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "ended\n", "")


def test_importing_the_driver_runs_no_modprobe_and_vetting_does_without_the_library() -> None:
    script = """
import os, sys
os.environ.pop("W1THERMSENSOR_NO_KERNEL_MODULE", None)
def ran(command): raise SystemExit(command)
os.system = ran
import drivers.protocols, drivers.vetting
assert "w1thermsensor" not in sys.modules
import drivers.onewire
assert "w1thermsensor" in sys.modules
"""
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=20
    )
    assert (done.returncode, done.stderr) == (0, "")
