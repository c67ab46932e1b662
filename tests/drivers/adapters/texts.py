"""Small profiles of invented dialects, each with the constructs that a test needs."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile import parse_profile
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from orchestrator.documents import Document
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

KIND = """
kinds:
  withstand_ac:
    terminals: {source: output, return: return}
    level: {range: 100 V .. 5000 V, resolution: 1 V}
    waveforms: [ac]
    frequencies: [50 Hz]
    rise: {range: 0.1 s .. 99.9 s, resolution: 0.1 s}
    dwell: {range: 0.3 s .. 999 s, resolution: 0.1 s}
    limits: {total_current: {at_most: {range: 10 uA .. 40 mA, resolution: 10 uA}}}
    setup: [SETUP]
terminals: {output: {ac_rms: 5 kV}, return: {ac_rms: 5 kV}}
"""

TERSE = """
profile: 1
kind: tester
name: Wendle
framing:
  send: {end: '\\n'}
  receive: {end: '\\n'}
  echo: yes
  acknowledge: K
  refusal: 'R{code:d2}'
  refusal_closes: REFUSAL_CLOSES
timing: {reply: 100 ms, poll: 10 ms, resync_quiet: 50 ms}
refusals: {'04': number out of range}
words: {verdict: {pass: P, fail: F}, state: {idle: I, busy: B}}
identify: {send: ID, reply: '{maker},{model}', expect: {model: WENDLE}}
start: {send: GO, class: acts}
stop: {raw: '\\nST\\n'}
status: {send: QT, reply: '{state}'}
states: [{state: 'off', when: {state: idle}}, {state: dwelling, when: {state: busy}}]
result: {send: QR, reply: '{verdict}{total_current:10uA d4}', class: RESULT_CLASS}
off: {proof: state}
""" + KIND.replace("[SETUP]", "[{send: 'SL{level:V d4}'}, {send: 'SH{at_most:10uA d4}'}]")


def terse(*, closes: str = "yes", result_class: str = "reads") -> str:
    """Echo, acknowledge, refusals: a serial line."""
    return TERSE.replace("REFUSAL_CLOSES", closes).replace("RESULT_CLASS", result_class)


EVENTS_ONLY = """
profile: 1
kind: tester
name: Marl
framing:
  send: {end: '\\r\\n'}
  receive: {end: '\\r\\n', prompt: '> ', prompt_after_events: yes}
  refusal: '? {message}'
  refusal_closes: no
timing: {reply: 200 ms, event: 20 ms, resync_quiet: 50 ms}
units: {mA: mA, uA: uA}
words: {verdict: {pass: good, fail: bad}}
identify: {send: who, reply: 'I am {maker} {model}', expect: {model: Marl}}
start: {send: 'go', class: acts}
stop: {send: halt}
off: {proof: event, discharge: status}
freshness: [event]
events:
  - {line: '!up', means: rising}
  - {line: '!hold', means: dwelling}
  - {line: '!end {verdict} {reading:mA .2 suffix}', means: [result, complete]}
  - {line: '!safe', means: safe}
  - {line: '!door', means: interlock_open}
  - {line: '!hello', means: restarted}
""" + KIND.replace("[SETUP]", "[{send: 'set {level:V .0} {at_most:mA .2}'}]")

KEY_VALUE = """
profile: 1
kind: tester
name: Thole
link: {address: 7}
framing:
  send: {end: '\\n'}
  receive: {end: '\\n'}
  envelope: {send: 'A{unit:d2}:{body}*{check}', receive: 'A{unit:d2}:{body}*{check}', same: [unit]}
  checksum: {kind: sum8, form: hex, over: before}
  refusal: 'err={code:d}'
timing: {reply: 100 ms, resync_quiet: 50 ms}
units: {uA: uA, mA: [mA, MA], V: V, kV: kV}
tokens: [{prefix: '>', means: above}]
words: {verdict: {pass: ok, fail: no}, state: {idle: idle, run: run}}
identify: {send: get=id, reply: 'id={maker}/{model}', expect: {model: Thole}}
start: {send: do=go, reply: done=go, class: acts}
stop: {send: do=stop}
status: {send: get=st, reply: 'st={state}'}
states: [{state: 'off', when: {state: idle}}, {state: dwelling, when: {state: run}}]
result:
  send: get=res
  reply: 'v={verdict},i={reading:mA .3 suffix},u={level_reached:kV .3 suffix}'
off: {proof: state}
""" + KIND.replace(
    "[SETUP]",
    "[{send: 'set=u:{level:kV .2 suffix},i:{at_most:mA .3 suffix}', reply: done=set}]",
)

ROUTING = """
profile: 1
kind: tester
name: Ferrule
framing: {send: {end: '\\n'}, receive: {end: '\\n'}, refusal: 'no {code:d}'}
words:
  state: {idle: idle, run: run}
  bank: {hv: H, aux: X}
identify: {send: id, reply: '{model}'}
start: {send: go, reply: ok, class: acts}
stop: {send: halt}
status: {send: st, reply: '{state}'}
states: [{state: 'off', when: {state: idle}}, {state: dwelling, when: {state: run}}]
off: {proof: state}
memory: {slots: 8, first: 0, clear_tail: {send: 'erase {next_slot:d}', reply: ok}}
routing:
  chain: {addresses: 0 .. 3}
  banks:
    hv: {channels: 1 .. 8, rating: {ac_rms: 5 kV}}
    aux: {channels: 1 .. 8, rating: {ac_rms: 5 kV}}
  numbering: {first: 101, per_unit: 100, bank_offset: {aux: 50}}
""" + KIND.replace(
    "[SETUP]",
    """
      - {send: 'step {slot:d} {level:V .0} {at_most:mA .2}', reply: ok}
      - for_each: bank
        send: 'path {slot:d} {bank} [{source_channels:list}] [{return_channels:list}]'
        reply: ok
""",
)

LISTS = """
profile: 1
kind: matrix
name: Burr
framing: {send: {end: '\\n'}, receive: {end: '\\n'}, refusal: 'no {code:d}'}
timing: {reply: 100 ms, poll: 5 ms, resync_quiet: 20 ms}
words: {moving: {on: '1', off: '0'}}
chain: {addresses: 1 .. 4}
banks:
  hv: {channels: 1 .. 20, rating: {ac_rms: 5 kV}}
  aux: {channels: 1 .. 10, rating: {ac_rms: 5 kV}}
numbering: {first: 1001, per_unit: 1000, bank_offset: {aux: 500}}
identify: {for_each: unit, send: 'id {unit:d}', reply: '{unit:d} {model}', same: [unit]}
close:
  - {for_each: role, when: {role: source}, send: 'close + {channels:list}', reply: ok, at_most: 3}
  - {for_each: role, when: {role: return}, send: 'close - {channels:list}', reply: ok, at_most: 3}
open: [{send: 'open {channels:list}', reply: ok, at_most: 3}]
open_all: {send: open all, reply: ok}
moving: {send: moving, reply: '{moving}'}
look:
  for_each: unit
  send: 'look {unit:d}'
  reply: '+{source_channels:list} -{return_channels:list}'
read_back: coil
settle: 10 ms
"""


def adapter_of(text: str) -> ProfileTester:
    """A tester of a profile written in the test."""
    document = parse_profile(text, "profile of the test")
    assert isinstance(document.model, TesterProfile)
    return ProfileTester(Document.built(document.model, "profile of the test"), "T")


def matrix_of(text: str, units: Mapping[str, int | None]) -> ProfileMatrix:
    """A chain of a profile written in the test."""
    document = parse_profile(text, "profile of the test")
    assert isinstance(document.model, MatrixProfile)
    return ProfileMatrix(Document.built(document.model, "profile of the test"), "M", units)


def at_most(value: str, quantity: Measured = Measured.TOTAL_CURRENT) -> LimitOrder:
    return LimitOrder(quantity, Edge.AT_MOST, Decimal(value))


def at_least(value: str, quantity: Measured = Measured.TOTAL_CURRENT) -> LimitOrder:
    return LimitOrder(quantity, Edge.AT_LEAST, Decimal(value))


def withstand(level: str = "1500", *limits: LimitOrder, **changes: object) -> StepOrder:
    """An AC withstand step: 50 Hz, 1 s rise, 2 s dwell, at most 5 mA unless told otherwise."""
    given: dict[str, object] = {
        "kind": StepKind.WITHSTAND_AC,
        "level": Decimal(level),
        "waveform": Waveform.AC,
        "dwell": Decimal(2),
        "rise": Decimal(1),
        "fall": Decimal(0),
        "frequency": Decimal(50),
        "limits": limits or (at_most("0.005"),),
    }
    return StepOrder(**(given | changes))  # type: ignore[arg-type]
