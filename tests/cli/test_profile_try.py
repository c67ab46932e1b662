"""`ohmward profile try`: what is proved, and every mistake of a profile named by the instrument."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import pytest

from drivers.simulators.bench import Bench
from drivers.simulators.serve import serve_tcp
from orchestrator.assembly import bring_up
from orchestrator.assembly.bring_up import TryReport, TryWish, load_profile, try_profile
from orchestrator.assembly.bring_up_links import NAME, link_data, make_trial_bench, subject_of
from orchestrator.assembly.bring_up_proof import Proved, proof_words, read_proof
from orchestrator.cli.main import main
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.errors import Refused
from orchestrator.resources import resource_folder

PROFILES = resource_folder("profiles")
TESTERS = ("orrin", "pell", "stave")
MATRICES = ("lattice", "comb")


def planted(tmp_path: Path, name: str, *changes: tuple[str, str], file: str = "mine") -> Path:
    """A shipped profile with mistakes in it; each must really be there."""
    text = (PROFILES / f"{name}.yaml").read_text("utf-8")
    for right, wrong in changes:
        assert right in text, right
        text = text.replace(right, wrong)
    path = tmp_path / f"{file}.yaml"
    path.write_text(text, "utf-8")
    return path


def tried(profile: Path | str, simulator: str, **wishes: Any) -> tuple[TryReport, Bench]:
    """A trial on a simulated instrument, in virtual time."""
    clock = VirtualClock()
    document = load_profile(Path(profile))
    link = f"simulated:{simulator}"
    bench = make_trial_bench(subject_of(document, link, None), clock)
    wish = TryWish(document, link, unasked=True, **wishes)
    return try_profile(wish, ask=lambda _: False, clock=clock, bench=bench), bench


def failures(report: TryReport) -> str:
    return "\n".join(
        f"{item.what}: {'; '.join(item.told)}"
        for item in report.proved.items
        if item.outcome == "failed"
    )


# ---- a sound profile ------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*TESTERS, *MATRICES])
def test_a_shipped_profile_is_proved_on_its_simulator(name: str) -> None:
    """Nothing fails, and what isn't proved is only what no trial can prove."""
    report, bench = tried(name, name, relays=name in MATRICES)
    assert failures(report) == ""
    assert report.ok
    assert report.proved.instrument.simulated
    for item in report.proved.items:
        if item.outcome == "not proved":
            ending = item.what.rsplit(", ", maxsplit=1)[-1]
            assert ending in {"result", "live", "a wrong command", "start", "reset", "carry"}
    assert bench.violations == ()


@pytest.mark.parametrize(("name", "start"), [("orrin", b"TASK:START"), ("pell", b"GO\r")])
def test_nothing_is_ever_started(name: str, start: bytes) -> None:
    """Stop first and last; the start's bytes never go out; no output comes on."""
    report, bench = tried(name, name)
    sent = [data for item in report.items for way, data in item.traffic if way == "sent"]
    assert not any(data.startswith(start) for data in sent)
    assert report.items[0].what == "stop, then off"
    assert report.items[-1].what == "stop at the end"
    assert not bench.state().any_on


def test_bytes_fields_and_the_manual_stand_side_by_side() -> None:
    """An item holds the line of the profile, its manual section, the bytes and the values."""
    report, _ = tried("pell", "pell")
    identity = next(item for item in report.items if item.what == "identity")
    assert identity.traffic[0] == ("sent", b"ID\r")
    assert identity.traffic[1][1].startswith(b"ID\rDUNMARROW,PELL,")
    assert ("model", "'PELL'") in identity.parsed
    assert identity.manual.startswith("§2")
    level = next(i for i in report.items if i.what.startswith("withstand_dc, setup 2"))
    assert ("level sent", "770 V") in level.parsed  # SL counts in 10 V (§3): SL0077
    assert ("sent", b"SL0077\r") in level.traffic


def test_without_leave_no_relay_moves() -> None:
    """A matrix is only read; with --relays each contact tried is closed and opened again."""
    report, bench = tried("lattice", "lattice")
    sent = [data for item in report.items for way, data in item.traffic if way == "sent"]
    assert sent
    assert all(b"SET" not in data and b"OPEN" not in data for data in sent)
    assert any("--relays" in told for item in report.items for told in item.told)
    report, bench = tried("lattice", "lattice", relays=True)
    assert bench.state().closed == frozenset()
    assert any(item.what.startswith("hv/8") for item in report.items)


# ---- mistakes, one by one -------------------------------------------------------------------

PELL_QS = "{rise:0.1s d3}{dwell:0.1s d3}{fall:0.1s d3}"
MISTAKES = {
    "scale of the level": (
        "pell",
        ("SL{level:10V d4}", "SL{level:1V d4}"),
        "level: sent 100 V, read 1 kV; read is 10 times",
    ),
    "scale in a read-back": (
        "orrin",
        ("reply: '{at_most:A + e5|OFF}'", "reply: '{at_most:mA + e5|OFF}'"),
        "read is 0.001 times what was sent",
    ),
    "order of fields": (
        "pell",
        (PELL_QS, "{dwell:0.1s d3}{rise:0.1s d3}{fall:0.1s d3}"),
        "wrong field order: dwell and rise are changed over",
    ),
    "terminator received": (
        "pell",
        (r"receive: {end: '\r', limit: 64}", r"receive: {end: '\r\n', limit: 64}"),
        r"wrong terminator: the answer",
    ),
    "terminator sent": (
        "pell",
        (r"send: {end: '\r'}", r"send: {end: '\n'}"),
        r"silence after '\n' (framing.send.end), an answer after '\r'",
    ),
    "checksum": ("stave", ("kind: sum8", "kind: xor"), "bears one of kind sum8"),
    "state word": ("pell", ("rest: '00'", "rest: '01'"), "'00' is no word of 'state'"),
    "identity": ("pell", ("model: PELL", "model: PALL"), "model is 'PELL', expected is 'PALL'"),
    "word of a query": ("pell", ("closed: '1', open: '0'", "closed: 'Y', open: '0'"), "interlock"),
    "number of fields": (
        "pell",
        ("'{maker},{model},{serial},{firmware}'", "'{maker};{model},{serial},{firmware}'"),
        "is due",
    ),
    "unknown command": ("pell", ("send: QI", "send: QJ"), "R01 (unknown command)"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_each_mistake_is_named(tmp_path: Path, mistake: str) -> None:
    """One planted mistake, one failed item that names it."""
    name, change, told = MISTAKES[mistake]
    profile = planted(tmp_path, name, change)
    report, bench = tried(profile, name)
    assert told in failures(report), failures(report)
    assert not report.ok
    assert bench.violations == ()


def test_three_mistakes_at_once_are_all_named(tmp_path: Path) -> None:
    """Terminator, scale and field order in one run: the trial goes on behind each."""
    kinds = ("scale of the level", "order of fields", "terminator received")
    profile = planted(tmp_path, "pell", *(MISTAKES[kind][1] for kind in kinds))
    report, bench = tried(profile, "pell")
    told = failures(report)
    assert all(MISTAKES[kind][2] in told for kind in kinds), told
    bonding = [i for i in report.items if i.what.startswith("bonding, whole")]
    assert all("level" not in told for i in bonding for told in i.told)  # its scale is right
    assert bench.violations == ()


def test_an_output_that_isnt_seen_off_ends_the_trial(tmp_path: Path) -> None:
    """A state that can't be understood counts as energised: stop, look, nothing else."""
    profile = planted(tmp_path, "pell", MISTAKES["state word"][1])
    report, _ = tried(profile, "pell")
    assert "isn't confirmed off" in report.proved.ended_early
    assert {item.what for item in report.items} == {"stop, then off", "status", "stop at the end"}


def test_silence_is_told_apart_from_a_refusal(tmp_path: Path) -> None:
    """The same misspelt query: refused where the error report answers for it, else silence."""
    wrong = ("GUARD:DOOR?", "GUARD:DOUR?")
    refused, _ = tried(planted(tmp_path, "orrin", wrong), "orrin")
    assert "interlock: refused" in failures(refused)
    quiet = planted(tmp_path, "orrin", wrong, ("silent_refusal: yes", "silent_refusal: no"))
    silent, _ = tried(quiet, "orrin")
    assert "interlock: silence" in failures(silent)


def test_a_wrong_command_shows_what_a_refusal_looks_like() -> None:
    """Refused as the manual says: proved. Sent only when asked for."""
    report, _ = tried("pell", "pell", wrong_command="QX")
    item = next(i for i in report.items if i.what.startswith("a wrong command"))
    assert item.outcome == "proved"
    assert ("received", b"QX\rR01\r") in item.traffic


def test_a_wrong_command_that_is_taken_is_a_failure() -> None:
    """What should have been refused and wasn't: refusals would go unnoticed."""
    report, _ = tried("pell", "pell", wrong_command="KA")
    assert "a refusal would go unnoticed" in failures(report)


# ---- the gate -------------------------------------------------------------------------------


def test_without_a_question_only_what_answers_as_simulated_is_tried(tmp_path: Path) -> None:
    """--yes on an instrument whose serial number marks no simulation: refused after identity."""
    real = planted(tmp_path, "pell", ("simulated_serial: 'SIM-'", "simulated_serial: 'DEMO-'"))
    with pytest.raises(Refused, match="doesn't answer as simulated"):
        tried(real, "pell")


def test_a_no_sends_nothing() -> None:
    """Who doesn't confirm the lock-out has spoken to nobody."""
    clock = VirtualClock()
    document = load_profile(Path("pell"))
    bench = make_trial_bench(subject_of(document, "simulated:pell", None), clock)
    with pytest.raises(Refused, match="not confirmed"):
        try_profile(
            TryWish(document, "simulated:pell"), ask=lambda _: False, clock=clock, bench=bench
        )
    assert clock.monotonic() == 0.0


def test_another_identity_is_asked_about(tmp_path: Path) -> None:
    """A person may go on where the identity's text is all that is wrong; else it ends there."""
    profile = planted(tmp_path, "pell", MISTAKES["identity"][1])
    document, asked = load_profile(profile), list[str]()

    def ask(question: str) -> bool:
        asked.append(question)
        return len(asked) == 1

    report = try_profile(
        TryWish(document, "simulated:pell"), ask=ask, clock=VirtualClock(), bench=None
    )
    assert "DUNMARROW PELL" in asked[1]
    assert [i.what for i in report.items] == ["stop, then off", "identity", "stop at the end"]
    assert "not confirmed" in report.proved.ended_early


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("tcp:10.0.0.5:5025", "tcp"),
        ("tcp:[fe80::1]:5025", "tcp"),
        ("serial:/dev/ttyUSB0,9600", "serial"),
        ("serial:COM3", "serial"),
        ("visa:GPIB0::9::INSTR", "visa"),
        ("simulated:pell", "simulated"),
    ],
)
def test_a_link_has_a_short_form(text: str, kind: str) -> None:
    """As a station file would write it, in one word."""
    assert link_data(text)["kind"] == kind


@pytest.mark.parametrize("text", ["", "pell", "tcp:host", "usb:1", "serial:"])
def test_any_other_link_is_refused(text: str) -> None:
    """The message shows the forms."""
    with pytest.raises(Refused, match="simulated:NAME"):
        link_data(text)


# ---- the report -----------------------------------------------------------------------------


@pytest.fixture
def at_hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a copy of a profile; trials in virtual time."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(bring_up, "SystemClock", VirtualClock)
    planted(tmp_path, "pell", file="pell")
    (tmp_path / "pell.md").write_bytes((PROFILES / "pell.md").read_bytes())
    return tmp_path


def test_check_says_what_was_proved_and_when_that_is_over(
    at_hand: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Never tried, proved on firmware and date, changed since."""
    assert main(["profile", "check", "pell.yaml"]) == 0
    assert "never tried on an instrument" in capsys.readouterr().out
    assert main(["profile", "try", "pell.yaml", "--link", "simulated:pell", "--yes"]) == 0
    shown = capsys.readouterr().out
    assert "> 'ID\\r'" in shown
    assert "model = 'PELL'" in shown
    assert main(["profile", "check", "pell.yaml"]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last.startswith("proved on firmware V1.4, serial number SIM-0093, simulated on ")
    assert "0 failed, never started" in last
    with (at_hand / "pell.yaml").open("a") as file:
        file.write("# another word\n")
    assert main(["profile", "check", "pell.yaml"]) == 0
    assert "has changed since it was tried" in capsys.readouterr().out


def test_the_report_reads_back_and_holds_every_item(at_hand: Path) -> None:
    """Beside the profile, with the hash of the very bytes that were tried."""
    assert main(["profile", "try", "pell.yaml", "--link", "simulated:pell", "--yes"]) == 0
    proved = read_proof(at_hand / "pell.proved.yaml")
    assert proved is not None
    assert proved.sha256 == load_profile(at_hand / "pell.yaml").sha256
    assert proved.instrument.serial == "SIM-0093"
    assert proved.count("proved") > 50


def test_a_failed_trial_ends_with_its_own_exit_code(
    at_hand: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """3 where anything failed; the report is written all the same, and check tells it."""
    planted(at_hand, "pell", MISTAKES["order of fields"][1], file="wrong")
    command = ["profile", "try", "wrong.yaml", "--link", "simulated:pell", "--yes", "--brief"]
    assert main([*command, "--hex"]) == 3
    out = capsys.readouterr().out
    assert "changed over in the reply" in out
    assert "51 53 0d" in out  # QS and CR, in ASCII
    assert main(["profile", "check", "wrong.yaml"]) == 0
    assert "proved: not yet" in capsys.readouterr().out


def test_the_report_ends_with_the_three_mistakes(
    at_hand: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What names a mistake stands together, apart from what only follows from one."""
    kinds = ("scale of the level", "order of fields", "terminator received")
    planted(at_hand, "pell", *(MISTAKES[kind][1] for kind in kinds), file="three")
    assert main(["profile", "try", "three.yaml", "--link", "simulated:pell", "--yes"]) == 3
    likely = capsys.readouterr().out.partition("most likely wrong in the profile")[2]
    assert all(MISTAKES[kind][2] in likely for kind in kinds), likely
    assert "refused" not in likely


def test_a_trial_that_ended_early_proves_nothing() -> None:
    """Its words say 'not yet', whatever its items came to."""
    proved = Proved(
        proved="1",
        profile="x.yaml",
        sha256="ab",
        utc="2031-02-03T04:05:06+00:00",
        link="tcp:h:1",
        instrument={"firmware": "2.1"},  # type: ignore[arg-type]
        ended_early="silence",
    )
    assert proof_words(proved, "ab").startswith("proved: not yet; last tried on firmware 2.1")


# ---- over a real socket ---------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", ["orrin", "lattice"])
def test_over_tcp_the_same_is_proved(name: str, tmp_path: Path) -> None:
    """A served simulator, the system's clock, the ordinary command."""
    bench = Bench(SystemClock())
    units: dict[str, Any] = {"units": {"unit": 1}} if name in MATRICES else {}
    instrument = bench.add(NAME, name, **units)
    report = tmp_path / "report.yaml"
    with serve_tcp(instrument) as server:
        command = ["profile", "try", name, "--link", f"tcp:127.0.0.1:{server.port}", "--yes"]
        assert main([*command, "--brief", "--report", str(report)]) == 0
    proved = read_proof(report)
    assert proved is not None
    assert proved.instrument.simulated
    assert proved.count("failed") == 0
    assert bench.violations == ()


def test_a_port_where_nobody_listens_is_no_verdict(tmp_path: Path) -> None:
    """Nothing is written, exit code 3."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    report = tmp_path / "report.yaml"
    link = f"tcp:127.0.0.1:{port}"
    assert main(["profile", "try", "orrin", "--link", link, "--yes", "--report", str(report)]) == 3
    assert not report.exists()
