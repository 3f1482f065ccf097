"""How the pages are reached: from this computer alone unless somebody decides otherwise, and then not unguarded."""

from __future__ import annotations

import argparse
import re
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from plantview.errors import StartRefused
from plantview.web.access.accounts import AccountsFile
from plantview.web.hosts import EVERY_INTERFACE, is_address, is_loopback

_NAME: Final = re.compile(r"[A-Za-z0-9.-]{1,253}(:[0-9]{1,5})?")


@dataclass(frozen=True, slots=True)
class Way:
    """What the web process is told, and what the person at the terminal should know."""

    order: dict[str, Any]
    """Fields of the order."""
    cautions: list[str] = field(default_factory=list)


def grammar(sub: argparse.ArgumentParser) -> None:
    """Add the options to a command that serves pages."""
    beyond = sub.add_argument_group("beyond this computer (needs accounts; see README)")
    beyond.add_argument(
        "--bind", metavar="ADDRESS", default="127.0.0.1", help="address to serve the pages on (default %(default)s)"
    )
    beyond.add_argument("--tls-cert", metavar="FILE", default="", help="certificate with its chain, PEM")
    beyond.add_argument("--tls-key", metavar="FILE", default="", help="its private key, PEM")
    text = "answer only a gateway at this address, which encrypts and says who asks (X-Forwarded-For, -Proto)"
    beyond.add_argument("--behind-proxy", metavar="ADDRESS", default="", help=text)
    text = "further name by which browsers reach the pages; may be given several times"
    beyond.add_argument("--known-as", metavar="NAME[:PORT]", action="append", default=[], help=text)
    beyond.add_argument("--open-wall", action="store_true", help="show /wall, and so all values, without signing in")
    sub.add_argument("--metrics", action="store_true", help="answer /metrics for a monitoring program (OpenMetrics)")


def way_of(args: argparse.Namespace, data: Path) -> Way:
    """Return how the pages are reached; StartRefused says what is missing."""
    host, proxy = getattr(args, "bind", "127.0.0.1"), getattr(args, "behind_proxy", "")
    cert, key = getattr(args, "tls_cert", ""), getattr(args, "tls_key", "")
    known_as = tuple(getattr(args, "known_as", []))
    _check_addresses(host, proxy, known_as)
    _check_certificate(cert, key)
    beyond = bool(proxy) or not is_loopback(host)
    order = {
        "host": host,
        "proxy": proxy,
        "tls_cert": str(Path(cert).resolve()) if cert else "",
        "tls_key": str(Path(key).resolve()) if key else "",
        "known_as": known_as,
        "open_wall": getattr(args, "open_wall", False),
        "openmetrics": getattr(args, "metrics", False),
    }
    accounts = AccountsFile(data).read().accounts
    if not beyond:
        return Way(order)
    if not (cert or proxy):
        raise StartRefused(
            f"{host} is reached from other computers: passwords and sessions would cross the network readable;"
            " give --tls-cert and --tls-key, or --behind-proxy ADDRESS for a gateway that encrypts"
        )
    if not accounts:
        raise StartRefused(
            "pages beyond this computer need somebody who may sign in; first run:"
            f" plantview accounts add NAME --role admin --data {data}"
        )
    return Way(order, _cautions(host, proxy))


def _cautions(host: str, proxy: str) -> list[str]:
    where = "every network of this computer, the controllers' one too" if host in EVERY_INTERFACE else host
    through = f", for the gateway {proxy} only" if proxy else ""
    return [
        f"caution: the pages are served on {where}{through}; whoever signs in sees the whole plant.",
        "caution: keep this address off the internet; reach it from outside through a VPN.",
    ]


def _check_addresses(host: str, proxy: str, known_as: tuple[str, ...]) -> None:
    for option, text in (("--bind", host), ("--behind-proxy", proxy)):
        if text and text != "localhost" and not is_address(text):
            raise StartRefused(f"{option} '{text}' is no address; give numbers such as 192.168.10.5")
    for name in known_as:
        if not _NAME.fullmatch(name):
            raise StartRefused(f"--known-as '{name}' is no name; give plant.example or plant.example:443")


def _check_certificate(cert: str, key: str) -> None:
    if bool(cert) != bool(key):
        raise StartRefused("a certificate needs its key: give both --tls-cert and --tls-key")
    if not cert:
        return
    for file in (cert, key):
        if not Path(file).is_file():
            raise StartRefused(f"there is no file {file}")
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password=lambda: "")
    except (ssl.SSLError, OSError) as error:
        raise StartRefused(f"{cert} and {key} are no certificate with its unlocked key in PEM form: {error}") from None
