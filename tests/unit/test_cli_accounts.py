"""``plantview accounts`` and the ways to the pages, asked as a person at the terminal asks."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest

from plantview.cli import main
from plantview.cli_entry import way_of
from plantview.cli_grammar import parser
from plantview.errors import StartRefused
from plantview.model.person import Role
from plantview.web.access import passwords
from plantview.web.access.accounts import AccountsFile
from plantview.web.access.passwords import digest, trouble

GOOD = "gravel tulip window seven"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def password_file(tmp_path: Path) -> Path:
    path = tmp_path / "password"
    path.write_text(f"{GOOD}\n")
    path.chmod(0o600)
    return path


def accounts(data: Path, *words: object) -> int:
    return main(["accounts", *map(str, words), "--data", str(data)])


def test_the_first_account_turns_sign_in_on_and_nothing_is_readable_by_others(
    data: Path, password_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not AccountsFile(data).exists(), "there are no default accounts"
    assert accounts(data, "add", "MK", "--role", "admin", "--password-file", password_file) == 0
    assert "accounts are on now" in capsys.readouterr().out
    book = AccountsFile(data).read()
    account = book.account("mk")
    assert account is not None
    assert (account.name, account.role) == ("MK", Role.ADMIN)
    assert account.hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$"), "RFC 9106, second recommended choice"
    assert passwords.Hashing().fits(account.hash, GOOD)
    assert stat.S_IMODE((data / "accounts.json").stat().st_mode) == 0o600


def test_accounts_are_changed_removed_and_listed_and_each_change_is_recorded(
    data: Path, password_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    accounts(data, "add", "vi", "--password-file", password_file)
    assert accounts(data, "add", "VI", "--password-file", password_file) == 2
    assert accounts(data, "role", "vi", "technician") == 0
    assert accounts(data, "key", "add", "report") == 0
    capsys.readouterr()
    assert accounts(data, "list") == 0
    listed = capsys.readouterr().out.splitlines()
    assert [line.split()[:2] for line in listed] == [["vi", "technician"], ["report", "viewer"]]
    assert accounts(data, "key", "remove", "Report") == 0
    assert accounts(data, "remove", "vi") == 0
    assert accounts(data, "remove", "vi") == 2
    assert AccountsFile(data).read().accounts == {}
    acts = [json.loads(line)["act"] for line in (data / "access.log").read_text().splitlines()]
    assert acts == ["account made", "role changed", "key made", "key removed", "account removed"]


def test_a_key_is_shown_once_and_kept_as_a_hash(
    data: Path, password_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert accounts(data, "key", "add", "report") == 2, "with accounts off there is nothing to open"
    accounts(data, "add", "vi", "--password-file", password_file)
    capsys.readouterr()
    accounts(data, "key", "add", "report")
    secret = capsys.readouterr().out.splitlines()[1]
    assert len(secret) == 43
    assert AccountsFile(data).read().key(digest(secret))
    assert all(secret not in path.read_text() for path in data.iterdir())


@pytest.mark.parametrize("role", ["technician", "lead", "admin"])
def test_no_key_may_command_or_keep_accounts(data: Path, role: str) -> None:
    with pytest.raises(SystemExit):
        accounts(data, "key", "add", "report", "--role", role)


@pytest.mark.parametrize(
    "password",
    [
        "short", "Password123!", "p@ssw0rd", "P4$$word2024", "qwertyuiop", "12345678", "11111111", "Chiller2024",
        "plantview1", "letmein!!", "adminadmin", "Summer-2026", "aaaaaaaaaaaaaaaa", "mkuster99", "x" * 300,
    ],
)  # fmt: skip
def test_a_password_that_is_tried_first_is_refused(password: str) -> None:
    assert trouble(password, "MKuster")


@pytest.mark.parametrize(
    "password",
    [GOOD, "correcthorsebatterystaple", "ÄÖÜ ist gut so", "nop4ssw0rdherebutlong", "y" * 5 + "abcdefgh1" * 27],
)
def test_length_counts_and_no_kind_of_character_is_asked_for(password: str) -> None:
    assert trouble(password, "MKuster") == ""


def test_the_same_letters_typed_on_another_system_are_the_same_password() -> None:
    hashing = passwords.Hashing()
    assert hashing.fits(hashing.hash("f\u00fcnf Kr\u00e4hen oben"), "fu\u0308nf Kra\u0308hen oben")
    assert not hashing.fits("no hash at all", GOOD)
    assert not hashing.fits(None, GOOD)


def test_a_password_file_that_others_can_read_is_refused(data: Path, password_file: Path) -> None:
    password_file.chmod(0o644)
    assert accounts(data, "add", "vi", "--password-file", password_file) == 2
    assert not AccountsFile(data).exists()


def test_an_accounts_file_that_others_can_read_or_that_is_damaged_is_refused(data: Path, password_file: Path) -> None:
    accounts(data, "add", "vi", "--password-file", password_file)
    path = AccountsFile(data).path
    path.chmod(0o640)
    with pytest.raises(StartRefused, match="chmod 600"):
        AccountsFile(data).read()
    path.chmod(0o600)
    path.write_text('{"accounts": [{"name": "x", "role": "king"}], "keys": []}')
    with pytest.raises(StartRefused, match="damaged"):
        AccountsFile(data).read()


def way(data: Path, *options: str) -> dict[str, object]:
    def nothing(_args: object) -> int:
        return 0

    from plantview.cli import ACTS

    args = parser(dict.fromkeys(ACTS, nothing)).parse_args(["run", "orchard", *options])
    return way_of(args, data).order


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (["--bind", "0.0.0.0"], "--behind-proxy"),
        (["--bind", "192.168.10.5"], "--behind-proxy"),
        (["--bind", "::"], "--behind-proxy"),
        (["--bind", "plant.example"], "no address"),
        (["--behind-proxy", "gateway"], "no address"),
        (["--behind-proxy", "127.0.0.1"], "somebody who may sign in"),
        (["--bind", "0.0.0.0", "--behind-proxy", "192.168.10.2"], "somebody who may sign in"),
        (["--tls-cert", "a.pem"], "--tls-key"),
        (["--tls-cert", "/nowhere.pem", "--tls-key", "/nowhere.key"], "no file"),
        (["--known-as", "http://plant.example/"], "no name"),
    ],
)
def test_a_way_beyond_this_computer_that_is_not_guarded_is_refused_with_the_reason(
    data: Path, options: list[str], reason: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(StartRefused, match=reason):
        way(data, *options)
    assert main(["run", "orchard", "--data", str(data), *options]) == 2
    assert reason in capsys.readouterr().err


def test_with_accounts_and_a_gateway_or_a_certificate_it_is_served_with_a_caution(
    data: Path, password_file: Path, tmp_path: Path
) -> None:
    accounts(data, "add", "vi", "--password-file", password_file)
    behind = way(data, "--bind", "192.0.2.5", "--behind-proxy", "192.0.2.2", "--known-as", "plant.example:443")
    assert (behind["host"], behind["proxy"], behind["known_as"]) == ("192.0.2.5", "192.0.2.2", ("plant.example:443",))
    bad = tmp_path / "bad.pem"
    bad.write_text("no certificate")
    with pytest.raises(StartRefused, match="PEM"):
        way(data, "--bind", "192.0.2.5", "--tls-cert", str(bad), "--tls-key", str(bad))


def test_the_usual_way_is_this_computer_alone_and_everything_optional_is_off(data: Path) -> None:
    order = way(data)
    assert order["host"] == "127.0.0.1"
    assert not any(order[name] for name in ("proxy", "tls_cert", "open_wall", "openmetrics", "known_as"))
