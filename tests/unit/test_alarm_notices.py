"""Messages about alarms: who gets which when, what they say, how they leave, and what happens when they cannot."""

from __future__ import annotations

import json
import socketserver
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from plantview.alarms.journal import Entry
from plantview.notifying import FILE, Notifying, Settings, load_settings
from plantview.notifying.message import Call, Message, alarm_message, digest_message
from plantview.notifying.sending import NotSent, send
from plantview.notifying.settings import EmailServer, Receiver
from plantview.notifying.waiting import BETWEEN_S, FLOOD_S, GATHER_S, OUT_MAX, RETRY_S, Waiting
from tests.unit.alarm_rig import HandClock, Rig, row, small_plant

PLANT = small_plant()
PAGE = "http://192.0.2.7:8050"
NOON_MS = round(datetime(2026, 7, 15, 12, tzinfo=UTC).timestamp() * 1_000)
EVERY_DAY = frozenset(range(7))


def receiver(name: str = "On call", **more: Any) -> Receiver:
    cells: dict[str, Any] = {
        "email": "oncall@example.org",
        "webhook": "",
        "priorities": frozenset({1, 2}),
        "classes": frozenset(),
        "days": EVERY_DAY,
        "hours": None,
        "unacknowledged_s": 0.0,
        "digest": False,
    }
    return Receiver(name, **(cells | more))


def call(alarm: str = "CH-1.FAULT", priority: int = 1, **more: Any) -> Call:
    cells: dict[str, Any] = {
        "at_ms": NOON_MS,
        "equipment": alarm.split(".", maxsplit=1)[0],
        "class_name": "trip",
        "text": "Fault reported by the panel",
        "action": "Read the fault on the panel",
        "consequence": "No cold water",
    }
    return Call(alarm=alarm, priority=priority, **(cells | more))


def waiting(**more: Any) -> Waiting:
    return Waiting(receiver(**more), ZoneInfo("UTC"))


# --- what a message says --------------------------------------------------------------------
def test_a_message_holds_value_limit_unit_local_time_action_consequence_and_a_link() -> None:
    plant = small_plant()
    text = "Leaving chilled water 53.0 °F, limit 50.0"
    message = alarm_message(plant, PAGE, [call("CH-1.CHWS-HI", 2, text=text)])
    assert message.subject == "SIMULATED Small plant: HIGH CH-1 Leaving chilled water 53.0 °F, limit 50.0"
    for part in (
        text,
        "2026-07-15 12:00:00 UTC",
        "Do: Read the fault",
        "Otherwise: No cold water",
        "This plant is simulated",
    ):
        assert part in message.text
    assert f"{PAGE}/alarms/record?id=CH-1.CHWS-HI" in message.text
    assert message.body["alarms"][0]["link"] == f"{PAGE}/alarms/record?id=CH-1.CHWS-HI"


def test_many_alarms_are_one_message_the_most_urgent_first_the_rest_counted() -> None:
    calls = [call(f"P-{n}.RUN", 3) for n in range(30)] + [call("CH-1.FAULT", 1)]
    message = alarm_message(PLANT, PAGE, calls)
    assert message.subject.startswith("SIMULATED Small plant: URGENT CH-1")
    assert message.subject.endswith("and 30 more")
    assert "And 11 more, by equipment" in message.text
    assert (message.body["count"], len(message.body["alarms"])) == (31, 20)


def test_no_reading_can_add_a_header_or_a_second_line_to_a_subject() -> None:
    message = alarm_message(PLANT, "", [call(text="x\r\nBcc: a@example.org" + "y" * 300)])
    assert message.subject.isprintable()
    assert len(message.subject) <= 150


def test_a_digest_says_what_is_not_right_and_what_still_stands() -> None:
    told = {
        "from_ms": NOON_MS - 86_400_000, "to_ms": NOON_MS, "total": 12, "top": [{"alarm": "HI", "count": 7}],
        "rows": [{"name": "chattering", "measured": "1", "goal": "none", "ok": False, "remedy": "Longer off-delay"},
                 {"name": "floods", "measured": "0", "goal": "none", "ok": True, "remedy": ""}],
    }  # fmt: skip
    message = digest_message(PLANT, PAGE, told, [{"priority": 2, "equipment": "CH-1", "text": "Water warm"}])
    assert "chattering: 1 (goal: none). Longer off-delay." in message.text
    assert "floods" not in message.text
    assert "2 CH-1: Water warm" in message.text


# --- who is told, and when --------------------------------------------------------------------
@pytest.mark.parametrize(
    ("priority", "class_name", "wanted"), [(1, "trip", True), (3, "trip", False), (2, "energy", False)]
)
def test_a_receiver_hears_its_priorities_and_classes(priority: int, class_name: str, wanted: bool) -> None:
    assert receiver(classes=frozenset({"trip"})).wants(priority, class_name) is wanted


@pytest.mark.parametrize(
    ("day", "clock", "on_duty"),
    [(17, "17:00", True), (17, "16:59", False), (18, "06:59", True), (18, "07:00", False), (18, "23:00", False), (20, "03:00", False)],
)  # fmt: skip
def test_a_night_shift_belongs_to_the_day_on_which_it_begins(day: int, clock: str, on_duty: bool) -> None:
    nights = receiver(days=frozenset({4}), hours=(time(17), time(7)))
    assert nights.on_duty(datetime.fromisoformat(f"2026-07-{day:02d}T{clock}")) is on_duty


def test_calls_of_one_moment_leave_together_and_the_next_ones_a_minute_later() -> None:
    one = waiting()
    one.offer(call("A.X"), 0.0)
    one.offer(call("B.X"), 3.0)
    assert one.due(GATHER_S - 0.1) == []
    assert [item.alarm for item in one.due(GATHER_S)] == ["A.X", "B.X"]
    one.offer(call("C.X"), GATHER_S + 1)
    assert one.due(GATHER_S + BETWEEN_S - 0.1) == []
    assert len(one.due(GATHER_S + BETWEEN_S)) == 1


def test_a_flood_of_a_thousand_is_one_message_and_its_rest_waits_ten_minutes() -> None:
    one = waiting()
    for number in range(1_000):
        one.offer(call(f"P-{number}.RUN", 2), number / 100)
    assert len(one.due(GATHER_S)) == 1_000
    one.offer(call("P-X.RUN", 2), 20.0)
    assert one.due(GATHER_S + FLOOD_S - 1) == []
    assert len(one.due(GATHER_S + FLOOD_S)) == 1


def test_a_new_urgent_alarm_does_not_wait_for_the_end_of_a_flood() -> None:
    one = waiting()
    for number in range(50):
        one.offer(call(f"P-{number}.RUN", 2), 0.0)
    assert one.due(GATHER_S)
    one.offer(call("CH-1.FAULT", 1), 30.0)
    assert len(one.due(GATHER_S + BETWEEN_S)) == 1


def test_escalation_tells_only_what_nobody_has_acknowledged_for_so_long() -> None:
    one = waiting(unacknowledged_s=900.0)
    one.offer(call("A.X"), 0.0)
    one.offer(call("B.X"), 0.0)
    one.escalate({"A.X", "B.X"}, 899.0, NOON_MS)
    assert one.calls == []
    one.escalate({"A.X"}, 900.0, NOON_MS)
    assert [(item.alarm, item.note) for item in one.calls] == [("A.X", "not acknowledged for 15 min")]
    one.escalate({"A.X"}, 5_000.0, NOON_MS)
    assert len(one.calls) == 1


def test_a_message_that_cannot_be_sent_is_tried_again_within_bounds_and_then_counted_as_lost() -> None:
    one, now_s, attempts = waiting(), 0.0, 0
    one.put(Message("s", "t", {}), now_s)
    while (outgoing := one.next(now_s)) is not None:
        attempts += 1
        one.failed(outgoing, "no answer", now_s)
        assert one.next(now_s) is None
        now_s += RETRY_S[min(attempts, len(RETRY_S)) - 1]
    assert (attempts, one.lost, one.row()["trouble"]) == (1 + len(RETRY_S), 1, "no answer")


def test_of_too_many_messages_the_oldest_is_lost_and_counted() -> None:
    one = waiting()
    for number in range(OUT_MAX + 3):
        one.put(Message(str(number), "", {}), 0.0)
    assert (len(one.out), one.out[0].message.subject, one.lost) == (OUT_MAX, "3", 3)


# --- from journal lines to messages -------------------------------------------------------------
class Sent(list[tuple[str, Message]]):
    """Takes messages instead of a server; ``broken`` refuses them."""

    broken = ""

    def __call__(self, message: Message, to: Receiver, _email: EmailServer | None) -> None:
        if self.broken:
            raise NotSent(self.broken)
        self.append((to.name, message))


def figures_of_nothing(_span_ms: int) -> dict[str, Any]:
    return {"from_ms": 0, "to_ms": 1, "total": 0, "rows": [], "top": []}


async def test_an_annunciation_reaches_its_receiver_with_the_texts_of_its_rule() -> None:
    rig, sent = Rig(row()), Sent()
    notifying = Notifying(Settings(PAGE, receivers=(receiver(),)), [], PLANT, rig.clock, sent)
    rig.scan(0, temp=51)
    notifying.take(rig.entries, rig.engine.record)
    rig.clock.go_to(GATHER_S)
    notifying.look(rig.engine.snapshot, figures_of_nothing)
    assert await notifying.send_due(notifying.waiting("On call"))
    assert not await notifying.send_due(notifying.waiting("On call"))
    assert "Do: an action" in sent[0][1].text
    assert notifying.status()["receivers"][0]["sent"] == 1


async def test_a_failure_is_visible_and_gone_after_the_next_success() -> None:
    clock, sent = HandClock(NOON_MS), Sent()
    notifying = Notifying(Settings(receivers=(receiver(),)), [], PLANT, clock, sent)
    sent.broken = "the mail server refused: 421"
    assert notifying.test("On call")
    assert not notifying.test("Nobody")
    await notifying.send_due(notifying.waiting("On call"))
    assert notifying.trouble() == "On call was not told: the mail server refused: 421"
    sent.broken = ""
    clock.go_to(RETRY_S[0])
    await notifying.send_due(notifying.waiting("On call"))
    assert (notifying.trouble(), len(sent)) == ("", 1)


def test_what_stands_unacknowledged_at_a_start_is_escalated_again() -> None:
    rig = Rig(row())
    rig.scan(0, temp=51)
    boss = receiver("Boss", unacknowledged_s=60.0)
    notifying = Notifying(Settings(receivers=(boss, receiver())), [], PLANT, rig.clock, Sent())
    notifying.remind(rig.engine.snapshot()["active"])
    rig.clock.go_to(60.0)
    notifying.look(rig.engine.snapshot, figures_of_nothing)
    assert [len(notifying.waiting(name).calls) for name in ("Boss", "On call")] == [1, 0]


def test_a_digest_leaves_once_a_day_at_its_time_to_those_who_want_it() -> None:
    clock = HandClock(NOON_MS)
    settings = Settings(digest=time(13), receivers=(receiver(digest=True), receiver("Other")))
    notifying = Notifying(settings, [], PLANT, clock, Sent())
    counts = []
    for hours in (0.9, 1.0, 5.0, 24.9, 25.0):
        clock.go_to(hours * 3_600)
        notifying.look(lambda: {"active": []}, figures_of_nothing)
        counts.append(len(notifying.waiting("On call").out))
    assert counts == [0, 1, 1, 1, 2]
    assert not notifying.waiting("Other").out


def test_lines_that_call_nobody_are_no_messages() -> None:
    notifying = Notifying(Settings(receivers=(receiver(),)), [], PLANT, HandClock(), Sent())
    line = Entry(NOON_MS, "RTN", "HI", "CH-1", "UNACK", "RTNUN", 1, "", "text", annunciated=False)
    notifying.take([line], lambda _: {"class": "trip", "action": "", "consequence": ""})
    assert notifying.waiting("On call").calls == []


# --- settings -----------------------------------------------------------------------------------
GOOD = """
page = "http://192.0.2.7:8050/"
digest = "07:00"
[email]
server = "mail.example.org"
sender = "plant@example.org"
user = "plant"
[[receivers]]
name = "On call"
email = "oncall@example.org"
days = "Fri-Mon"
hours = "17:00-07:00"
unacknowledged_min = 15
[[receivers]]
name = "Hook"
webhook = "https://example.org/hook?key=secret"
priorities = [1]
"""


def written(folder: Path, text: str, mode: int = 0o600) -> Path:
    path = folder / FILE
    path.write_text(text)
    path.chmod(mode)
    return folder


def test_settings_are_read_and_the_password_may_come_from_the_environment(tmp_path: Path) -> None:
    settings, problems = load_settings(written(tmp_path, GOOD), {"PLANTVIEW_EMAIL_PASSWORD": "from outside"})
    assert problems == []
    assert settings.email is not None
    assert (settings.email.password, settings.email.port, settings.page) == ("from outside", 587, PAGE)
    first, second = settings.receivers
    assert first.days == frozenset({4, 5, 6, 0})
    assert (first.hours, first.unacknowledged_s) == ((time(17), time(7)), 900.0)
    assert second.priorities == {1}


def test_without_the_file_nobody_is_told_and_nothing_is_wrong(tmp_path: Path) -> None:
    assert load_settings(tmp_path, {}) == (Settings(), [])


def test_a_file_that_others_may_read_is_refused_with_the_command_that_helps(tmp_path: Path) -> None:
    settings, problems = load_settings(written(tmp_path, GOOD, 0o644), {})
    assert settings == Settings()
    assert "others may read it" in problems[0].wrong
    assert problems[0].remedy == f"chmod 600 {tmp_path / FILE}"


@pytest.mark.parametrize(
    ("old", "new", "place", "wrong"),
    [
        ('server = "mail.example.org"', "", "email.server", "missing"),
        ('sender = "plant@example.org"', 'sender = "plant"', "email.sender", "no e-mail address"),
        ('user = "plant"', 'user = "plant"\nsecurity = "none"', "email.security", "readable for everybody"),
        ('user = "plant"', 'usr = "plant"', "email.usr", "unknown key"),
        ('user = "plant"', "port = 99999", "email.port", "no whole number"),
        ('days = "Fri-Mon"', 'days = "Freitag"', "receivers[0].days", "are no days"),
        ('hours = "17:00-07:00"', 'hours = "17:00-7"', "receivers[0].hours", "no time of day"),
        ('hours = "17:00-07:00"', 'hours = "07:00-07:00"', "receivers[0].hours", "the same"),
        ('email = "oncall@example.org"', "", "receivers[0].email", "one of email, webhook and service"),
        ('name = "Hook"', 'name = "On call"', "receivers", "two receivers"),
        ("priorities = [1]", "priorities = [5]", "receivers[1].priorities", "no priorities"),
        ('webhook = "https://', 'webhook = "ftp://', "receivers[1].webhook", "no web address"),
        ('page = "http://', 'page = "', "page", "no web address"),
        ('digest = "07:00"', 'digest = "7 am"', "digest", "no time of day"),
    ],
)
def test_each_mistake_is_named_with_its_place(tmp_path: Path, old: str, new: str, place: str, wrong: str) -> None:
    assert old in GOOD
    settings, problems = load_settings(written(tmp_path, GOOD.replace(old, new)), {})
    assert settings == Settings()
    assert [problem.place for problem in problems] == [place]
    assert wrong in problems[0].wrong
    assert "secret" not in str(problems)


@pytest.mark.parametrize("text", ["receivers = 3", "[[receivers]]\n[x", "\udcff"])
def test_a_file_that_is_no_such_file_is_a_problem_and_no_crash(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_bytes(text.encode("utf-8", "surrogateescape"))
    (tmp_path / FILE).chmod(0o600)
    assert load_settings(tmp_path, {})[1]


# --- sending, against servers on this computer -----------------------------------------------------
class _MailTalk(socketserver.StreamRequestHandler):
    """The server's side of RFC 5321, as much as one message needs."""

    def handle(self) -> None:
        lines: list[bytes] = self.server.lines  # type: ignore[attr-defined]
        refused: bytes = self.server.refused  # type: ignore[attr-defined]
        self.wfile.write(b"220 ready\r\n")
        data = False
        for line in self.rfile:
            lines.append(line.rstrip(b"\r\n"))
            if data:
                if line == b".\r\n":
                    data = False
                    self.wfile.write(b"250 taken\r\n")
                continue
            verb = line.split()[0].upper()
            data = verb == b"DATA"
            if verb == refused:
                data = False
                self.wfile.write(b"550 no\r\n")
            elif verb == b"QUIT":
                self.wfile.write(b"221 bye\r\n")
                return
            else:
                self.wfile.write(b"354 go on\r\n" if data else b"250 ok\r\n")


@contextmanager
def serving(server: socketserver.TCPServer) -> Iterator[int]:
    port = int(server.socket.getsockname()[1])
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield port
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def mail_server(refused: bytes = b"") -> Iterator[tuple[int, list[bytes]]]:
    server = socketserver.TCPServer(("127.0.0.1", 0), _MailTalk)
    lines: list[bytes] = []
    server.lines, server.refused = lines, refused  # type: ignore[attr-defined]
    with serving(server) as port:
        yield port, lines


def plain(port: int) -> EmailServer:
    return EmailServer("127.0.0.1", port, "none", "plant@example.org", "", "")


def test_an_e_mail_arrives_with_its_headers_and_its_text() -> None:
    with mail_server() as (port, lines):
        send(alarm_message(PLANT, PAGE, [call()]), receiver(), plain(port))
    assert b"rcpt to:<oncall@example.org>" in [line.lower() for line in lines]
    heads = b"\n".join(lines)
    for part in (b"From: plant@example.org", b"Auto-Submitted: auto-generated", b"Date: ", b"Message-ID: "):
        assert part in heads
    assert b"Do: Read the fault on the panel" in lines


@pytest.mark.parametrize(
    ("refused", "why"), [(b"RCPT", "does not accept the address"), (b"DATA", "the mail server refused")]
)
def test_a_mail_server_that_refuses_is_quoted(refused: bytes, why: str) -> None:
    with mail_server(refused) as (port, _), pytest.raises(NotSent, match=why):
        send(alarm_message(PLANT, PAGE, [call()]), receiver(), plain(port))


def test_a_mail_server_without_starttls_gets_no_message() -> None:
    message = alarm_message(PLANT, PAGE, [call()])
    with mail_server() as (port, lines), pytest.raises(NotSent, match="STARTTLS"):
        send(message, receiver(), EmailServer("127.0.0.1", port, "starttls", "plant@example.org", "", ""))
    assert b"data" not in [line.lower() for line in lines]


@contextmanager
def hook(status: int) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    taken: list[dict[str, Any]] = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            taken.append({"path": self.path, **body})
            self.send_response(status)
            self.send_header("Location", "http://192.0.2.1/")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return

    with serving(ThreadingHTTPServer(("127.0.0.1", 0), Hook)) as port:
        yield f"http://127.0.0.1:{port}/hook?key=1", taken


def test_a_web_address_gets_the_message_as_json() -> None:
    with hook(204) as (address, taken):
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", webhook=address), None)
    assert taken[0]["path"] == "/hook?key=1"
    assert (taken[0]["kind"], taken[0]["alarms"][0]["action"]) == ("alarms", "Read the fault on the panel")
    assert taken[0]["simulated"] is True


@pytest.mark.parametrize("status", [302, 500])
def test_a_web_address_that_refuses_or_redirects_is_a_failure_without_its_secret(status: int) -> None:
    with hook(status) as (address, _), pytest.raises(NotSent, match=f"answered {status}") as raised:
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", webhook=address), None)
    assert "key=1" not in str(raised.value)


def test_a_server_that_is_not_there_is_said() -> None:
    with hook(204) as (address, _):
        pass
    with pytest.raises(NotSent, match="cannot be reached"):
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", webhook=address), None)


# --- further ways ---------------------------------------------------------------------------------
# the library's own plugins still import a module that Python 3.13 no longer has
further_ways = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")


@further_ways
def test_a_further_way_carries_subject_and_text() -> None:
    with hook(200) as (address, taken):
        way = address.replace("http://", "json://")
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", service=way), None)
    assert taken[0]["title"].endswith("CH-1 Fault reported by the panel")
    assert "Do: Read the fault on the panel" in taken[0]["message"]


@further_ways
def test_a_further_way_that_refuses_is_a_failure_without_its_secret() -> None:
    with hook(403) as (address, _), pytest.raises(NotSent, match="the service answered 403") as raised:
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", service=address.replace("http", "json")), None)
    assert "key=1" not in str(raised.value)
    with pytest.raises(NotSent, match="cannot be reached, or refused") as raised:
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", service=address.replace("http", "json")), None)
    assert "key=1" not in str(raised.value)


@further_ways
def test_a_further_way_that_nobody_knows_is_a_problem_before_anything_is_sent(tmp_path: Path) -> None:
    for address, wrong in (("nosuch://x", ["is no address that apprise knows"]), ("json://127.0.0.1:9/x", [])):
        text = GOOD.replace('webhook = "https://example.org/hook?key=secret"', f'service = "{address}"')
        settings, problems = load_settings(written(tmp_path, text), {})
        assert [problem.wrong for problem in problems] == wrong
        assert address not in str(problems)
        assert [one.service for one in settings.receivers] == ([] if wrong else ["", address])
    with pytest.raises(NotSent, match="not understood"):
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", service="nosuch://x"), None)


def test_without_the_extra_the_message_names_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "apprise", None)
    text = GOOD.replace('webhook = "https://example.org/hook?key=secret"', 'service = "json://127.0.0.1:9/x"')
    _, problems = load_settings(written(tmp_path, text), {})
    assert [problem.wrong for problem in problems] == ["the extra 'notices' is not installed"]
    assert 'pip install "plantview[notices]"' in problems[0].remedy
    with pytest.raises(NotSent, match="the extra 'notices' is not installed"):
        send(alarm_message(PLANT, PAGE, [call()]), receiver(email="", service="json://127.0.0.1:9/x"), None)


def test_nothing_is_imported_for_whoever_uses_no_further_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "apprise", None)
    assert load_settings(written(tmp_path, GOOD), {})[1] == []
    assert Waiting(receiver(email="", service="json://127.0.0.1:9/x"), ZoneInfo("UTC")).row()["way"] == "service"
