"""``plantview accounts``: who may sign in, and which programs may ask."""

from __future__ import annotations

import argparse
import getpass
import secrets
import stat
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from plantview.clock import SystemClock, utc_text
from plantview.config.bundled import DATA_FOLDERS, data_folder, plant_folder
from plantview.errors import StartRefused
from plantview.model.person import Role
from plantview.web.access.access_log import AccessLog
from plantview.web.access.accounts import (
    ACCOUNTS_MAX,
    KEY_ROLES,
    KEYS_MAX,
    Account,
    AccountsFile,
    Book,
    Key,
    name_trouble,
)
from plantview.web.access.passwords import LENGTH_ADVISED, LENGTH_MAX, Hashing, digest, trouble

ENDS: Final = "open sessions of theirs end within a second"


def accounts(args: argparse.Namespace) -> list[str]:
    """Do what was asked and return the lines for the person at the terminal; StartRefused if it cannot be done."""
    file = AccountsFile(_named(args))
    return ACTS[args.accounts_act](args, file)


def _named(args: argparse.Namespace) -> Path:
    """Return the data folder that is meant; the only one there is, if none was named."""
    if args.data or args.plant:
        return data_folder(args.data, plant_folder(args.plant or "")).resolve()
    found = sorted(path for path in DATA_FOLDERS.glob("*") if path.is_dir())
    if len(found) != 1:
        names = ", ".join(str(path) for path in found) or "none yet"
        raise StartRefused(f"say whose accounts: --plant PLANT_DIR, or --data DIR (data folders here: {names})")
    return found[0].resolve()


def _add(args: argparse.Namespace, file: AccountsFile) -> list[str]:
    first = not file.exists()
    _check_name(args.name)
    if file.read().account(args.name):
        raise StartRefused(f"there is an account {args.name} already; change it with 'accounts role' or 'password'")
    made = Account(args.name, Role(args.role), _new_hash(args), SystemClock().now_ms())
    file.change(lambda book: _with_new(book, made))
    _note(file, "account made", name=made.name, role=made.role.value)
    lines = [f"{made.name} may sign in as {made.role}; kept in {file.path}"]
    if first:
        lines.append("accounts are on now: nobody sees this plant's pages without signing in")
    if not any(account.role is Role.ADMIN for account in file.read().accounts.values()):
        lines.append("nobody is an administrator yet, who could end the sessions of others: give --role admin to one")
    return lines


def _with_new(book: Book, account: Account) -> Book:
    if book.account(account.name):
        raise StartRefused(f"there is an account {account.name} already")
    if len(book.accounts) >= ACCOUNTS_MAX:
        raise StartRefused(f"there are {ACCOUNTS_MAX} accounts already; remove those that nobody uses")
    return book.with_account(account)


def _role(args: argparse.Namespace, file: AccountsFile) -> list[str]:
    before = _account(file, args.name)
    file.change(lambda book: book.with_account(replace(before, role=Role(args.role))))
    _note(file, "role changed", name=before.name, role=args.role, before=before.role.value)
    return [f"{before.name} was {before.role} and is {args.role} now; {ENDS}"]


def _password(args: argparse.Namespace, file: AccountsFile) -> list[str]:
    account = _account(file, args.name)
    kept = _new_hash(args)
    file.change(lambda book: book.with_account(replace(account, hash=kept)))
    _note(file, "password set", name=account.name, role=account.role.value)
    return [f"{account.name} has a new password; {ENDS}"]


def _remove(args: argparse.Namespace, file: AccountsFile) -> list[str]:
    account = _account(file, args.name)
    file.change(lambda book: book.without_account(account.name))
    _note(file, "account removed", name=account.name, role=account.role.value)
    return [f"{account.name} may not sign in any more; {ENDS}"]


def _list(_args: argparse.Namespace, file: AccountsFile) -> list[str]:
    book = file.read()
    if not book.accounts and not book.keys:
        return [f"no accounts in {file.path.parent}: everybody at this computer is an operator"]
    people = [f"{row.name:<24} {row.role:<12} since {utc_text(row.since_ms)[:10]}" for row in book.accounts.values()]
    keys = [f"{row.name:<24} {row.role:<12} since {utc_text(row.since_ms)[:10]}  key" for row in book.keys.values()]
    return [*people, *keys]


def _key_add(args: argparse.Namespace, file: AccountsFile) -> list[str]:
    _check_name(args.name)
    if not file.exists():
        raise StartRefused("accounts are off, so no program needs a key; make an account first")
    secret = secrets.token_urlsafe(32)
    made = Key(args.name, Role(args.role), digest(secret), SystemClock().now_ms())
    file.change(lambda book: _with_new_key(book, made))
    _note(file, "key made", name=made.name, role=made.role.value)
    return [
        f"the key of {made.name} ({made.role}), shown this once; whoever has it reads this plant:",
        secret,
        "a program sends it with every request:  Authorization: Bearer KEY",
    ]


def _with_new_key(book: Book, key: Key) -> Book:
    if key.name.casefold() in book.keys:
        raise StartRefused(f"there is a key {key.name} already; remove it first")
    if len(book.keys) >= KEYS_MAX:
        raise StartRefused(f"there are {KEYS_MAX} keys already; remove those that nothing uses")
    return book.with_key(key)


def _key_remove(args: argparse.Namespace, file: AccountsFile) -> list[str]:
    if args.name.casefold() not in file.read().keys:
        raise StartRefused(f"there is no key {args.name} in {file.path}")
    file.change(lambda book: book.without_key(args.name))
    _note(file, "key removed", name=args.name)
    return [f"the key of {args.name} opens nothing any more"]


ACTS: Final[dict[str, Callable[[argparse.Namespace, AccountsFile], list[str]]]] = {
    "add": _add,
    "role": _role,
    "password": _password,
    "remove": _remove,
    "list": _list,
    "key add": _key_add,
    "key remove": _key_remove,
}


def grammar(sub: argparse.ArgumentParser) -> None:
    """Add the acts and their options to the command's parser."""
    where = argparse.ArgumentParser(add_help=False)
    where.add_argument("--plant", metavar="PLANT_DIR", default="", help="the plant whose accounts are meant")
    where.add_argument("--data", metavar="DIR", default="", help="its data folder, if it is not the usual one")
    acts = sub.add_subparsers(metavar="ACT", required=True, help="what to do")
    roles = [role.value for role in Role]
    for name, text in PEOPLE.items():
        act = acts.add_parser(name, help=text, parents=[where])
        act.set_defaults(accounts_act=name)
        if name != "list":
            act.add_argument("name", metavar="NAME", help="letters, digits, dots and dashes")
        if name == "add":
            act.add_argument("--role", choices=roles, default=Role.VIEWER.value, help="default %(default)s")
        if name == "role":
            act.add_argument("role", choices=roles)
        if name in {"add", "password"}:
            act.add_argument("--password-file", metavar="FILE", default="", help=FROM_FILE)
    keys = acts.add_parser("key", help="keys for programs").add_subparsers(
        metavar="ACT", required=True, help="what to do"
    )
    for name, text in {"add": "make a key and show it once", "remove": "take a key away"}.items():
        act = keys.add_parser(name, help=text, parents=[where])
        act.set_defaults(accounts_act=f"key {name}")
        act.add_argument("name", metavar="NAME", help="what the program is called")
        if name == "add":
            allowed = [role.value for role in KEY_ROLES]
            act.add_argument("--role", choices=allowed, default=Role.VIEWER.value, help="default %(default)s")


FROM_FILE: Final = "read the password from the first line of a file that only you can read"
PEOPLE: Final = {
    "add": "let somebody sign in",
    "role": "change what somebody is",
    "password": "give somebody a new password",
    "remove": "let somebody sign in no more",
    "list": "who may sign in, and which programs have keys",
}


def _check_name(name: str) -> None:
    wrong = name_trouble(name)
    if wrong:
        raise StartRefused(wrong)


def _account(file: AccountsFile, name: str) -> Account:
    account = file.read().account(name)
    if account is None:
        raise StartRefused(f"there is no account {name} in {file.path}")
    return account


def _new_hash(args: argparse.Namespace) -> str:
    password = _from_file(Path(args.password_file)) if args.password_file else _asked(args.name)
    wrong = trouble(password, args.name)
    if wrong:
        raise StartRefused(f"the password is not taken: {wrong}")
    return Hashing().hash(password)


def _asked(name: str) -> str:
    if not sys.stdin.isatty():
        raise StartRefused("there is no terminal to ask for the password; give it with --password-file FILE")
    password = getpass.getpass(f"password for {name} ({LENGTH_ADVISED} characters or more advised): ")
    if getpass.getpass("once more: ") != password:
        raise StartRefused("the two passwords are not the same; nothing was changed")
    return password


def _from_file(path: Path) -> str:
    try:
        if stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise StartRefused(f"{path} can be read by others; run: chmod 600 {path}")
        with path.open(encoding="utf-8") as opened:
            return opened.readline(LENGTH_MAX + 2).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise StartRefused(f"{path} cannot be read: {error}") from None


def _note(file: AccountsFile, act: str, **fields: str) -> None:
    record = AccessLog(file.path.parent, SystemClock(), rotating=False)
    record.note(act, by=getpass.getuser(), source="terminal", **fields)
    record.close()
