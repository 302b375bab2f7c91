"""The configuration file: one TOML file, every bound beside its field.

`load(path)` returns a `Config` or raises `ConfigError` with every problem found, each naming the
place, the value and what is allowed. Nothing here touches hardware.
"""

from __future__ import annotations

import difflib
import ipaddress
import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date, time
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from drivers.mqtt import MqttRelaySettings, path_problem, topic_problem
from profiles.problems import explain

#: The largest number of benches one site runs.
MAX_BENCHES = 64
#: Names that stand for something else where a bench is named.
RESERVED = ("room", "outdoor", "site")
#: Places without heat or lamps that every site has, besides those of its own.
PLACES = ("chamber", "porch", "cold-frame", "outdoors")

Name = Annotated[
    str,
    Field(
        min_length=1,
        max_length=32,
        pattern=r"^[a-z0-9][a-z0-9-]*$",
        description="small letters, digits and hyphens",
    ),
]


class ConfigError(Exception):
    """A configuration that is refused; `problems` holds one line each, naming place and mend."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("\n".join(f"{path}: {problem}" for problem in problems))


def _clock_time(value: object) -> time:
    if isinstance(value, str) and re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        return time.fromisoformat(value)
    # TOML has times of its own, which must have seconds.
    if isinstance(value, time) and value == value.replace(second=0, microsecond=0, tzinfo=None):
        return value
    raise ValueError('a time of day is written "HH:MM"; allowed: 00:00 to 23:59')


def _path(value: object) -> object:
    if not isinstance(value, str):
        return value
    if not value or "\0" in value:
        raise ValueError("not a path; allowed: the name of a file or folder")
    return Path(value)


def _topic(value: str) -> str:
    problem = topic_problem(value, wildcards=False)
    if problem:
        raise ValueError(problem)
    return value


def _json_path(value: str) -> str:
    problem = path_problem(value)
    if problem:
        raise ValueError(problem)
    return value


def _host(value: str) -> str:
    # Not the grammar of host names, which the resolver knows better: the slips that people make.
    if re.fullmatch(r"[A-Za-z0-9._-]+", value):
        return value
    try:
        ipaddress.ip_address(value)
    except ValueError:
        raise ValueError(
            'neither "embedded" nor a host name or address alone (the port has a key of its own)'
        ) from None
    return value


LocalTime = Annotated[time, BeforeValidator(_clock_time)]
FilePath = Annotated[Path, BeforeValidator(_path)]
Topic = Annotated[str, AfterValidator(_topic)]
JsonPath = Annotated[str, AfterValidator(_json_path)]


class _Section(BaseModel):
    # Strict: true is not 1 watt, and "60" is text.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class OneWireDevice(_Section):
    """A DS18B20 or its kin, read through the kernel's 1-Wire files."""

    driver: Literal["onewire"]
    id: str

    @field_validator("id")
    @classmethod
    def _well_formed(cls, value: str) -> str:
        # Imported only here, for it brings the sensor library, which many a site has no use for.
        from drivers.onewire import device_id_problem

        problem = device_id_problem(value)
        if problem:
            raise ValueError(problem)
        return value


class MqttNumberDevice(_Section):
    """Anything that publishes a number; `path` leads to it inside a JSON payload."""

    driver: Literal["mqtt"]
    topic: Topic
    path: JsonPath = ""


class MqttProbeDevice(MqttNumberDevice):
    """A thermometer that publishes."""

    unit: Literal["C", "F"] = "C"


class SimulatedDevice(_Section):
    """A device of the simulated bench."""

    driver: Literal["simulated"]


class GpioDevice(_Section):
    """A relay board on a pin of this computer, by the chip's own (BCM) numbers."""

    driver: Literal["gpio"]
    pin: Annotated[int, Field(ge=0, le=27)]
    active: Literal["high", "low"]


class MqttRelayDevice(_Section):
    """A plug that is switched by messages; the keys are those of `MqttRelaySettings`."""

    driver: Literal["mqtt"]
    topic: Topic
    payload_on: Annotated[str, Field(max_length=512)] = "ON"
    payload_off: Annotated[str, Field(max_length=512)] = "OFF"
    state_topic: Topic | None = None
    state_path: JsonPath = ""
    state_on: Annotated[str, Field(max_length=512)] = "ON"
    state_off: Annotated[str, Field(max_length=512)] = "OFF"
    reports: Literal["always", "changes"] = "always"
    qos: Annotated[int, Field(ge=0, le=1)] = 1
    confirm_within: Annotated[float, Field(ge=1, le=120)] = 10.0

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        self.settings()
        return self

    def settings(self) -> MqttRelaySettings:
        """The same, for the driver."""
        return MqttRelaySettings(**self.model_dump(exclude={"driver"}))


ProbeDevice = Annotated[
    OneWireDevice | MqttProbeDevice | SimulatedDevice, Field(discriminator="driver")
]
RelayDevice = Annotated[
    GpioDevice | MqttRelayDevice | SimulatedDevice, Field(discriminator="driver")
]


class Probe(_Section):
    """One thermometer of a bench or of the room.

    offset: °C added to each reading, from an ice-bath check.
    """

    name: Name
    measures: Literal["soil", "air"]
    device: ProbeDevice
    offset: Annotated[float, Field(ge=-5, le=5)] = 0.0


class MoistureProbe(_Section):
    """A probe of the mix's moisture, in the tray of a bench that dries first.

    dry: what it reads where the mix calls for water; wet: and where it is wet. In whatever unit it
    publishes; wet may be the lower. Both from the owner's own looks: there is no common scale.
    """

    device: MqttNumberDevice
    dry: Annotated[float, Field(ge=-1e5, le=1e5)]
    wet: Annotated[float, Field(ge=-1e5, le=1e5)]

    @model_validator(mode="after")
    def _apart(self) -> Self:
        if self.dry == self.wet:
            raise ValueError(f"dry and wet are both {self.dry:g}; allowed: two that differ")
        return self


class Relay(_Section):
    """A lamp or a mat: its relay, its watts, and the least times between switchings [s]."""

    device: RelayDevice
    watts: Annotated[float, Field(gt=0, le=3000)]
    min_on: Annotated[float, Field(ge=0, le=1800)] = 60.0
    min_off: Annotated[float, Field(ge=0, le=1800)] = 60.0


class Proof(_Section):
    """What shows that a lamp is lit, which its relay doesn't: the power of its plug [W], or the light
    beside it [lx].

    least: from where on it counts as lit; of power, half of the lamp's watts unless given.
    """

    measures: Literal["power", "light"]
    device: Annotated[MqttNumberDevice | SimulatedDevice, Field(discriminator="driver")]
    least: Annotated[float, Field(gt=0, le=200_000)] | None = None

    @model_validator(mode="after")
    def _light_has_a_least(self) -> Self:
        if self.measures == "light" and self.least is None:
            raise ValueError(
                "light needs `least`: the lux that it reads with the lamp lit, halved; in a room with "
                "windows more than it reads by day with the lamp off"
            )
        return self

    def reads_lit(self, watts: float) -> float:
        """What it reads, more or less, with a lamp of so many watts lit."""
        return watts if self.measures == "power" else 2 * (self.least or 0.0)

    def lit_from(self, watts: float) -> float:
        """From where on it counts as lit."""
        return self.least if self.least is not None else watts / 2


class Lamp(Relay):
    """A lamp. ppfd: its light at the leaves, once measured [µmol m-2 s-1]; without it no light is
    claimed but its hours. proof: what shows that it is lit; without it people are asked to look."""

    ppfd: Annotated[float, Field(gt=0, le=2500)] | None = None
    proof: Proof | None = None

    @model_validator(mode="after")
    def _can_be_proven(self) -> Self:
        proof = self.proof
        if proof and proof.measures == "power" and (proof.least or 0.0) > self.watts:
            raise ValueError(
                f"proof.least is {proof.least:g} W, more than the lamp draws; allowed: up to its watts, "
                f"{self.watts:g}"
            )
        return self


class Bench(_Section):
    """A shelf that is switched as one.

    trays: how many 10 x 20 inch (254 x 508 mm) trays it holds.
    lights_on: local time at which the lamp's hours begin; where it is not given, 06:00, or with the
        hours of site.tariff.off_peak.
    control: "learning" for the mat controller that learns the bench, "hysteresis" for plain on/off.
    hysteresis: half the width of the band [°C] in which the on/off controller leaves the mat alone.
    """

    title: Annotated[str, Field(max_length=60)] = ""
    trays: Annotated[float, Field(gt=0, le=64)]
    lights_on: LocalTime | None = None
    control: Literal["learning", "hysteresis"] = "learning"
    hysteresis: Annotated[float, Field(ge=0.0625, le=2)] = 0.25
    lamp: Lamp | None = None
    mat: Relay | None = None
    probes: Annotated[list[Probe], Field(default_factory=list, max_length=8)]
    moisture: MoistureProbe | None = None

    @model_validator(mode="after")
    def _mat_has_a_probe(self) -> Self:
        if self.lamp is None and self.mat is None:
            raise ValueError(
                "a bench has a lamp, a mat or both; for a place with neither use site.places"
            )
        if self.mat is not None and not any(probe.measures == "soil" for probe in self.probes):
            raise ValueError(
                "a bench with a mat needs a probe that measures soil, or the mat could never be on"
            )
        return self


class OffPeak(_Section):
    """The hours in which a kWh costs less, by the clock on the wall; they may cross midnight."""

    begins: Annotated[LocalTime, Field(alias="from")]
    ends: Annotated[LocalTime, Field(alias="to")]
    price: Annotated[float, Field(ge=0, le=1e6)]

    @model_validator(mode="after")
    def _lasts(self) -> Self:
        if self.begins == self.ends:
            raise ValueError(
                f"from and to are both {self.begins:%H:%M}; allowed: two different times"
            )
        return self


class Tariff(_Section):
    """What a kWh costs, in units of `currency`."""

    currency: Annotated[str, Field(min_length=1, max_length=8, pattern=r"^\S+$")]
    price: Annotated[float, Field(ge=0, le=1e6)]
    off_peak: OffPeak | None = None


class Site(_Section):
    """The installation as a whole.

    tick: seconds between decisions.
    probe_grace: seconds without a good soil reading after which a mat is off.
    soil_limit: °C of any soil probe at which mats go off, a limit for hardware and fire.
    power_budget: watts that may be on at once. tariff: what they cost.
    hardening: how plants are hardened, by somebody at home or in a cold frame by somebody at work.
    dusk: local time by which hardening plants must be in, where latitude and longitude [degrees] don't
    tell it. last_frost: the date that planting out counts from.
    room_swing: °C by which the room may warm within hours where no probe measures it; soil that
        warms by more with the mat off is taken for a fault.
    keep_readings: days after which readings, and what else a replay needs, are dropped; what was
        switched, asked and noted stays.
    """

    name: Name
    zone: str
    units: Literal["C", "F"] = "C"
    tick: Annotated[float, Field(ge=0.2, le=60)] = 60.0
    probe_grace: Annotated[float, Field(ge=1, le=600)] = 120.0
    soil_limit: Annotated[float, Field(ge=25, le=40)] = 35.0
    power_budget: Annotated[float, Field(gt=0, le=20000)] = 1000.0
    room_swing: Annotated[float, Field(ge=2, le=20)] = 6.0
    hardening: Literal["home", "cold-frame"] = "home"
    dusk: LocalTime = time(18, 0)
    latitude: Annotated[float, Field(ge=-66, le=66)] | None = None
    longitude: Annotated[float, Field(ge=-180, le=180)] | None = None
    last_frost: date | None = None
    keep_readings: Annotated[float, Field(ge=7, le=36_500)] = 400.0
    places: Annotated[tuple[Name, ...], Field(strict=False)] = ()
    crops: FilePath | None = None
    tariff: Tariff | None = None

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        zones = available_timezones()
        if value not in zones:
            near = difflib.get_close_matches(value, zones, n=3)
            hint = f"; did you mean {' or '.join(near)}?" if near else ", like Europe/Berlin"
            raise ValueError(f"not a time zone of the IANA database{hint}")
        return value

    @model_validator(mode="after")
    def _grace_holds_a_tick(self) -> Self:
        if self.probe_grace < self.tick:
            raise ValueError(
                f"probe_grace ({self.probe_grace:g} s) is shorter than a tick ({self.tick:g} s): "
                f"allowed: {self.tick:g} to 600"
            )
        return self

    @property
    def tz(self) -> ZoneInfo:
        """The site's zone."""
        return ZoneInfo(self.zone)


class Mqtt(_Section):
    """The broker.

    broker: "embedded" runs one inside the daemon, on loopback; otherwise a host name or address.
    password_file: a file that holds the password alone; never the password itself.
    """

    broker: Annotated[str, Field(min_length=1, max_length=253), AfterValidator(_host)] = "embedded"
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    username: Annotated[str, Field(min_length=1, max_length=128)] | None = None
    password_file: FilePath | None = None
    tls: bool = False
    ca_file: FilePath | None = None
    cert_file: FilePath | None = None
    key_file: FilePath | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.broker == "embedded" and (self.tls or self.ca_file or self.cert_file):
            raise ValueError(
                "the embedded broker listens on loopback only and has no TLS; "
                "name another broker, or remove tls, ca_file and cert_file"
            )
        if not self.tls and (self.ca_file or self.cert_file or self.key_file):
            raise ValueError("ca_file, cert_file and key_file need tls = true")
        if bool(self.cert_file) != bool(self.key_file):
            raise ValueError("cert_file and key_file go together")
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file needs username")
        return self

    @property
    def port_or_default(self) -> int:
        """The port, by custom 8883 with TLS and 1883 without."""
        return self.port if self.port is not None else (8883 if self.tls else 1883)


class Hardware(_Section):
    """Where this machine's devices are.

    pins: "lgpio" for a board's pins; "mock" for pins that exist only inside the process.
    onewire_devices: the kernel's folder of 1-Wire devices.
    """

    pins: Literal["lgpio", "mock"] = "lgpio"
    onewire_devices: FilePath = Path("/sys/bus/w1/devices")


class PersonToCall(_Section):
    """Somebody who is called about alarms.

    least: the least urgent that they are called for. wait: seconds that an answer (`hotbed alarms ack`)
    is waited for until the next is called. nights: called by night too, for what can burn or freeze.
    command: a program and its arguments, which calls them; it is given the words on standard input.
    Without one the call is only published, as an event.
    """

    name: Annotated[
        str, Field(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f]*\S[^\x00-\x1f]*$")
    ]
    least: Literal["critical", "high", "medium", "low"] = "high"
    wait: Annotated[float, Field(ge=60, le=86400)] = 900.0
    nights: bool = True
    command: Annotated[
        tuple[Annotated[str, Field(min_length=1, max_length=400)], ...],
        Field(strict=False, max_length=16),
    ] = ()

    @field_validator("command")
    @classmethod
    def _whole_path(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if value and not value[0].startswith("/"):
            raise ValueError(
                f"{value[0]!r}; allowed: the whole path of a program, like /usr/bin/mail"
            )
        return value


class Calls(_Section):
    """Who is called about alarms, in this order, and begun again so many rounds.

    night_from, night_to: local times between which nobody is called but for what can burn or freeze.
    """

    people: Annotated[tuple[PersonToCall, ...], Field(strict=False, max_length=8)] = ()
    night_from: LocalTime = time(22, 0)
    night_to: LocalTime = time(7, 0)
    rounds: Annotated[int, Field(ge=1, le=20)] = 3

    @model_validator(mode="after")
    def _nobody_twice(self) -> Self:
        names = [one.name for one in self.people]
        for name in sorted(set(names)):
            if names.count(name) > 1:
                raise ValueError(f"two people are named {name!r}; each is in the order once")
        return self


class Config(_Section):
    """The whole file.

    outdoor: probes of the air (and the bed) where plants harden. night_low: where a forecast of
    tonight's is published.
    """

    schema_: Annotated[Literal[1], Field(alias="schema")]
    site: Site
    mqtt: Mqtt = Field(default_factory=Mqtt)
    hardware: Hardware = Field(default_factory=Hardware)
    bench: Annotated[dict[Name, Bench], Field(min_length=1, max_length=MAX_BENCHES)]
    room: Annotated[list[Probe], Field(default_factory=list, max_length=4)]
    outdoor: Annotated[list[Probe], Field(default_factory=list, max_length=4)]
    night_low: MqttProbeDevice | None = None
    calls: Calls = Field(default_factory=Calls)

    @field_validator("room")
    @classmethod
    def _room_is_air(cls, value: list[Probe]) -> list[Probe]:
        for probe in value:
            if probe.measures != "air":
                raise ValueError(f"room probe {probe.name!r} measures soil; allowed: air")
        return value

    @model_validator(mode="after")
    def _nothing_twice(self) -> Self:
        problems: list[str] = []
        seen: dict[str, str] = {}
        for place, device in _devices(self):
            for claim in _claims(device):
                if claim in seen:
                    problems.append(
                        f"{seen[claim]} and {place} are on the same {claim}; each needs its own"
                    )
                seen.setdefault(claim, place)
        for place, probes in [
            *((f"bench.{name}.probes", bench.probes) for name, bench in self.bench.items()),
            ("room", self.room),
            ("outdoor", self.outdoor),
        ]:
            names = [probe.name for probe in probes]
            problems += [
                f"{place}: two probes named {name!r}"
                for name in sorted(set(names))
                if names.count(name) > 1
            ]
        problems += [
            f"bench.{name}.probes: a probe named 'moisture' beside the moisture probe; name it otherwise"
            for name, bench in self.bench.items()
            if bench.moisture is not None and any(one.name == "moisture" for one in bench.probes)
        ]
        budget = self.site.power_budget
        problems += [
            f"bench.{name}.{kind}.watts: {relay.watts:g} could never be on; allowed: at most "
            f"site.power_budget, {budget:g}"
            for name, kind, relay in _relays(self)
            if relay.watts > budget
        ]
        problems += [
            f"bench.{name}: the name is taken by a place; choose another"
            for name in sorted(set(self.bench) & {*PLACES, *self.site.places, *RESERVED})
        ]
        if problems:
            raise ValueError("\n".join(problems))
        return self

    @property
    def places(self) -> tuple[str, ...]:
        """Every place without heat or lamps."""
        return (*PLACES, *(place for place in self.site.places if place not in PLACES))

    def uses(self, driver: str) -> bool:
        """Whether any device is on that driver; the daemon imports only those that are."""
        return any(device.driver == driver for _, device in _devices(self))


def _relays(config: Config) -> Iterator[tuple[str, str, Relay]]:
    for name, bench in config.bench.items():
        for kind, relay in (("lamp", bench.lamp), ("mat", bench.mat)):
            if relay is not None:
                yield name, kind, relay


def _devices(config: Config) -> Iterator[tuple[str, Any]]:
    for name, kind, relay in _relays(config):
        yield f"bench.{name}.{kind}", relay.device
    for name, bench in config.bench.items():
        for probe in bench.probes:
            yield f"bench.{name}.probes.{probe.name}", probe.device
        if bench.moisture is not None:
            yield f"bench.{name}.moisture", bench.moisture.device
        if bench.lamp is not None and bench.lamp.proof is not None:
            yield f"bench.{name}.lamp.proof", bench.lamp.proof.device
    for probe in config.room:
        yield f"room.{probe.name}", probe.device
    for probe in config.outdoor:
        yield f"outdoor.{probe.name}", probe.device
    if config.night_low is not None:
        yield "night_low", config.night_low


def _claims(device: Any) -> Iterator[str]:
    """What of the world a device needs for itself, in words."""
    match device:
        case GpioDevice():
            yield f"pin {device.pin}"
        case OneWireDevice():
            yield f"probe id {device.id}"
        case MqttNumberDevice():
            yield f"topic {device.topic} {device.path}".rstrip()
        case MqttRelayDevice():
            yield f"topic {device.topic}"
            # Else one plug would confirm for the other.
            if device.state_topic is not None:
                yield f"state topic {device.state_topic} {device.state_path}".rstrip()


def parse(data: Mapping[str, Any], path: Path) -> Config:
    """Validate a table read from `path`; relative paths in it are taken from the file's folder."""
    try:
        config = Config.model_validate(data)
    except ValidationError as error:
        raise ConfigError(path, explain(error, Config)) from None
    base = path.parent
    site, mqtt, hardware = config.site, config.mqtt, config.hardware
    return config.model_copy(
        update={
            "site": site.model_copy(update={"crops": site.crops and base / site.crops}),
            "mqtt": mqtt.model_copy(
                update={
                    key: getattr(mqtt, key) and base / getattr(mqtt, key)
                    for key in ("password_file", "ca_file", "cert_file", "key_file")
                }
            ),
            "hardware": hardware.model_copy(
                update={"onewire_devices": base / hardware.onewire_devices}
            ),
        }
    )


def load(path: Path) -> Config:
    """Read and validate the configuration file at `path`.

    Raises ConfigError, with every problem, when the file is missing, is not TOML or is refused.
    """
    try:
        # -sig: some editors begin a file with a byte order mark.
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ConfigError(path, [f"cannot be read: {error.strerror}"]) from None
    except UnicodeDecodeError as error:
        raise ConfigError(path, [f"is not UTF-8 text (byte {error.start})"]) from None
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise ConfigError(path, ["is nested too deeply"]) from None
    except ValueError as error:  # TOMLDecodeError, or a number of too many digits
        raise ConfigError(path, [f"is not TOML: {error}"]) from None
    return parse(data, path)
