"""The station: testers, relay matrices in chains, links, wiring, interlock, records."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from orchestrator.documents import Printable, Strict, WholeNumber, YesNo
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Name, Reason
from orchestrator.quantities import Dimension, Quantity, QuantityField

RelaySettle = Annotated[Quantity, QuantityField(Dimension.TIME, "1 ms", "10 s")]
Stale = Annotated[Quantity, QuantityField(Dimension.TIME, "1 ms", "2 s")]
SafeAc = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "1 V", "25 V")]
SafeDc = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "1 V", "60 V")]
Bleeder = Annotated[Quantity, QuantityField(Dimension.RESISTANCE, "1 kohm", "1 Gohm")]
Farads = Annotated[Quantity, QuantityField(Dimension.CAPACITANCE, "1 pF", "100 uF")]
Differ = Annotated[Quantity, QuantityField(Dimension.TIME, "1 ms", "2 s")]
Debounce = Annotated[Quantity, QuantityField(Dimension.TIME, "0 s", "100 ms")]
ChangesWithin = Annotated[Quantity, QuantityField(Dimension.TIME, "20 ms", "2 s")]
Period = Annotated[Quantity, QuantityField(Dimension.TIME, "5 ms", "100 ms")]
Watchdog = Annotated[Quantity, QuantityField(Dimension.TIME, "10 ms", "5 s")]
Settle = Annotated[Quantity, QuantityField(Dimension.TIME, "0 s", "10 s")]
Text = Annotated[str, Printable]
Port = Annotated[WholeNumber, Field(ge=1, le=65535)]
Bit = Annotated[WholeNumber, Field(ge=0, le=255)]


class TcpLink(Strict):
    """A plain TCP socket."""

    kind: Literal["tcp"]
    host: Name
    port: Port


class SerialLink(Strict):
    """A serial port; settings left out come from the profile."""

    kind: Literal["serial"]
    port: Annotated[Text, Field(min_length=1)]
    baud: Annotated[WholeNumber, Field(ge=110, le=4_000_000)] | None = None
    bits: Literal["7", "8"] | None = None
    parity: Literal["none", "even", "odd"] | None = None
    stop_bits: Literal["1", "2"] | None = None


class VisaLink(Strict):
    """A VISA resource; ``backend`` is what pyvisa calls the library ('' is its default)."""

    kind: Literal["visa"]
    resource: Annotated[Text, Field(min_length=4)]
    backend: Text = ""


class SimulatedLink(Strict):
    """A shipped simulator in the same process; ``instrument`` names it."""

    kind: Literal["simulated"]
    instrument: Name


Link = Annotated[TcpLink | SerialLink | VisaLink | SimulatedLink, Field(discriminator="kind")]


class TesterEntry(Strict):
    """One safety tester of the station. ``address`` is for profiles whose telegrams carry one."""

    profile: Annotated[Text, Field(min_length=1, description="name of a profile, or its file")]
    link: Link
    simulated: YesNo = False
    serial: Name | None = None
    address: Annotated[WholeNumber, Field(ge=0, le=65535)] | None = None
    calibration_due: date | None = None
    driver: Text = "profile_tester"


class Feed(Strict):
    """Which tester terminals feed one bank's buses; ``tester.terminal`` each."""

    source: Text | None = None
    return_: Annotated[Text | None, Field(alias="return")] = None
    sense: Text | None = None


class UnitEntry(Strict):
    """One relay unit of a chain: its address as a number or as a picture of its switch.

    ``switches`` is read as the profile says (positions in printed order, e.g. 'up down up down').
    ``feeds`` maps a bank name to what feeds its buses.
    """

    name: Name
    address: Annotated[WholeNumber, Field(ge=0, le=65535)] | None = None
    switches: Text | None = None
    feeds: dict[Name, Feed] = Field(default_factory=dict)
    serial: Name | None = None


class ChainEntry(Strict):
    """A chain of relay units of one type on one link.

    ``link`` reaches it directly; ``carried_by`` sends its messages through a tester's link;
    ``built_in`` names the tester that does its routing itself, within its step set-up.
    ``buses``: whether the banks' buses run on from unit to unit; where they do, every unit names
    the same terminals.
    """

    profile: Annotated[Text, Field(min_length=1)]
    link: Link | None = None
    carried_by: Name | None = None
    built_in: Name | None = None
    simulated: YesNo = False
    units: Annotated[tuple[UnitEntry, ...], Field(min_length=1)]
    buses: Literal["joined", "separate"] = "joined"
    driver: Text = "profile_matrix"


class FileInput(Strict):
    """A text file holding 'closed' or 'open': for trials, refused with real testers."""

    kind: Literal["file"]
    path: Annotated[Text, Field(min_length=1)]


class TesterInput(Strict):
    """The interlock as the tester itself reports it."""

    kind: Literal["tester"]
    tester: Name


class SimulatedInput(Strict):
    """The guard of the simulated bench: refused with real testers."""

    kind: Literal["simulated"]


class SecondChannel(Strict):
    """The other contact of a two-channel input: ``opposite`` (antivalent) or ``same``.

    For as long as ``differ_at_most`` the two may contradict each other, while they move.
    """

    input: Bit
    moves: Literal["opposite", "same"]
    differ_at_most: Differ = Quantity.of("100 ms", Dimension.TIME)


class IoInput(Strict):
    """An input of a remote I/O block; ``closed_when``: the level that a closed guard gives."""

    kind: Literal["io"]
    block: Name
    input: Bit
    closed_when: Literal["high", "low"] = "high"
    second: SecondChannel | None = None


Input = Annotated[FileInput | TesterInput | SimulatedInput | IoInput, Field(discriminator="kind")]


class InterlockEntry(Strict):
    """A named interlock input; older than ``stale_after`` counts as open.

    ``purpose``: a guard may be opened between runs, an emergency stop is an alarm then too.
    ``debounce``: a new state counts once it has lasted so long.
    """

    name: Name
    source: Input
    purpose: Literal["guard", "emergency_stop"] = "guard"
    debounce: Debounce = Quantity.of("0 s", Dimension.TIME)
    stale_after: Stale = Quantity.of("500 ms", Dimension.TIME)


class LifeSign(Strict):
    """An input that proves the backplane behind a coupler alive: it must change all the time.

    ``follows``: the output that this program toggles and that is wired to the input; without it
    something else (a flasher relay) makes it toggle.
    """

    input: Bit
    follows: Bit | None = None
    changes_within: ChangesWithin = Quantity.of("300 ms", Dimension.TIME)


class IoEntry(Strict):
    """A remote I/O block behind a Modbus TCP coupler, inputs and outputs counted from 0.

    Attributes:
        unit: the Modbus unit identifier.
        inputs, outputs: how many bits are read and written.
        period: how often the block is read and its outputs are refreshed.
        drops_after: the coupler's own watchdog, as set there: without refreshing for so long it
            drops its outputs by itself.
    """

    host: Name
    port: Port = 502
    unit: Annotated[WholeNumber, Field(ge=0, le=255)] = 1
    inputs: Annotated[WholeNumber, Field(ge=0, le=256)] = 8
    outputs: Annotated[WholeNumber, Field(ge=0, le=256)] = 8
    first_input: Annotated[WholeNumber, Field(ge=0, le=65535)] = 0
    first_output: Annotated[WholeNumber, Field(ge=0, le=65535)] = 0
    period: Period = Quantity.of("10 ms", Dimension.TIME)
    drops_after: Watchdog
    life_sign: LifeSign | None = None
    simulated: YesNo = False
    driver: Text = "modbus_tcp"


class OutputPlace(Strict):
    """One output of a remote I/O block."""

    block: Name
    output: Bit


class EnableOutput(OutputPlace):
    """The output that lets the testers' outputs on: on during a run only, dropped at a trip.

    ``feeds_relay_coils`` must be said: an enable that also feeds the matrices' coils would open
    contacts under load and take the discharge path away, and is refused.
    ``settle``: from switching it on until the testers see it.
    """

    feeds_relay_coils: YesNo
    settle: Settle = Quantity.of("200 ms", Dimension.TIME)


class Outputs(Strict):
    """What the station switches beside the instruments. The red lamp is the hardware's."""

    enable: EnableOutput | None = None
    green_lamp: OutputPlace | None = None


class WatchedInput(Strict):
    """A spare input of a remote I/O block that is shown and recorded, but stops nothing."""

    name: Name
    block: Name
    input: Bit


class SafeLevel(Strict):
    """Below this an output counts as safe. Ceilings: 25 V AC, 60 V DC (EN 50191 clause 1.2)."""

    ac: SafeAc = Quantity.of("25 V", Dimension.VOLTAGE)
    dc: SafeDc = Quantity.of("60 V", Dimension.VOLTAGE)


class Exemption(Strict):
    """A named piece of proof that an instrument of this station can't give, and why it may."""

    rule: Literal["freshness", "setup_check", "relay_position", "elapsed_time", "level_reading"]
    instrument: Name
    reason: Reason


class BleederEntry(Strict):
    """A bleeder on an output: the weakest evidence of discharge, computed with margin."""

    tester: Name
    resistance: Bleeder
    worst_capacitance: Farads


class Station(Strict):
    """A test station. ``positions`` maps a position to 'chain/unit/bank/channel' or to
    'tester.terminal' for a lead that goes straight to a terminal."""

    name: Name
    testers: Annotated[dict[Name, TesterEntry], Field(min_length=1)]
    chains: dict[Name, ChainEntry] = Field(default_factory=dict)
    positions: Annotated[dict[Name, Text], Field(min_length=1)]
    interlock: tuple[InterlockEntry, ...] = ()
    io: dict[Name, IoEntry] = Field(default_factory=dict)
    outputs: Outputs = Outputs()
    watched: tuple[WatchedInput, ...] = ()
    safe_level: SafeLevel = SafeLevel()
    relay_settle: RelaySettle = Quantity.of("50 ms", Dimension.TIME)
    records: Text = "records.sqlite"
    fixture: Fixture | None = None
    exemptions: tuple[Exemption, ...] = ()
    bleeders: tuple[BleederEntry, ...] = ()
    simulated_unit: Text | None = None
    """File that describes the unit under test of a simulated bench."""
