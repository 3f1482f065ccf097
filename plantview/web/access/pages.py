"""``/sign-in`` and ``/account``: plain pages of the server, the same at every size."""

from __future__ import annotations

from html import escape
from http import HTTPStatus
from typing import Final
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from plantview.model.person import Act, Person
from plantview.web.access.gate import Access, person_of
from plantview.web.access.passwords import LENGTH_MAX
from plantview.web.frame_view import FrameView
from plantview.web.routes import ACCOUNT, HELP, PAGES, PHONE, WALL

NEXT_MAX: Final = 2_000
HEAD: Final = """<!DOCTYPE html>
<html lang="en" data-theme="auto" data-zone="{zone}"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}: {plant}</title>
<link rel="icon" href="/assets/icon.svg"><link rel="stylesheet" href="/assets/tokens.css">
<link rel="stylesheet" href="/assets/plain_sign_in.css"><script src="/assets/plain_theme.js"></script></head>
"""
SIGN_IN_PAGE: Final = """<body data-next="{next}"><main>
<header><h1>{plant}</h1>{simulated}</header>
<form id="sign-in">
<h2>Sign in</h2>
{notice}<label for="name">Name</label><input id="name" name="name" autocomplete="username" autocapitalize="none" spellcheck="false" maxlength="40" required autofocus>
<label for="password">Password</label><input id="password" name="password" type="password" autocomplete="current-password" maxlength="{longest}" required>
<p id="answer" role="alert"></p>
<button type="submit">Sign in</button>
</form>
<p class="quiet">What is done here is recorded with your name. Password forgotten? Whoever keeps this server gives you a new one.</p>
<noscript>This page needs JavaScript.</noscript>
</main><script src="/assets/plain_sign_in.js"></script></body></html>
"""
ACCOUNT_PAGE: Final = """<body><main class="wide">
<header><h1>{plant}</h1>{simulated}<nav aria-label="Elsewhere"><a href="/">back to the plant</a> <a href="/help">help</a></nav></header>
<section><h2>{name}</h2><p>{role}: {may}.</p><button type="button" id="sign-out">Sign out</button></section>
<form id="new-password"><h2>Change your password</h2>
<input name="name" value="{name}" autocomplete="username" hidden>
<label for="old">Present password</label><input id="old" type="password" autocomplete="current-password" maxlength="{longest}" required>
<label for="new">New password, 15 characters or more advised</label><input id="new" type="password" autocomplete="new-password" minlength="8" maxlength="{longest}" required>
<p id="answer" role="status"></p><button type="submit">Change it</button></form>
{sessions}
</main><script src="/assets/plain_account.js"></script></body></html>
"""
SESSIONS: Final = """<section id="sessions"><h2>Signed in now</h2><p id="ended" role="status"></p>
<table><thead><tr><th>Name</th><th>Role</th><th>From</th><th>Since</th><th><span class="away">End it</span></th></tr></thead><tbody></tbody></table></section>
"""
OFF: Final = """<body><main><header><h1>{plant}</h1>{simulated}</header>
<section><h2>Accounts are off</h2><p>Everybody at this computer is an operator. To let people sign in by name, make an
administrator on this computer: <code>plantview accounts add NAME --role admin</code></p><p><a href="/">back to the plant</a> <a href="/help">help</a></p>
</section></main></body></html>
"""
WORDS: Final = {
    Act.SEE: "see everything",
    Act.ALARMS: "acknowledge, comment and shelve alarms",
    Act.COMMAND: "arm equipment and command it where this plant allows it",
    Act.COMMAND_LONG: "command it for longer",
    Act.CONFIGURE: "change limits and settings",
    Act.ACCOUNTS: "keep accounts and end sessions",
}


class AccountPages:
    """Writes both pages."""

    def __init__(self, view: FrameView, access: Access) -> None:
        self._view, self._access = view, access

    async def sign_in(self, request: Request) -> Response:
        """Return the form; whoever is signed in already is led on."""
        wanted = _next(request.query_params.get("next", ""))
        if self._access.signed_in(request.headers) is not None:
            return RedirectResponse(wanted, HTTPStatus.SEE_OTHER)
        return self._page(
            "Sign in", SIGN_IN_PAGE if self._access.on else OFF, next=escape(wanted), notice=self._notice()
        )

    def _notice(self) -> str:
        """Return the site's own words to whoever signs in, before the fields: a line each, nothing of it is markup."""
        lines = self._view.plant.sign_in_notice.splitlines()
        return f'<p id="notice" class="notice">{"<br>".join(map(escape, lines))}</p>\n' if lines else ""

    async def account(self, request: Request) -> Response:
        """Return who one is, how to change the password, and for who keeps accounts the open sessions."""
        person = person_of(request.scope)
        return self._page(
            "Account",
            ACCOUNT_PAGE if self._access.on else OFF,
            name=escape(person.name),
            role=person.role.value,
            may="; ".join(words for act, words in WORDS.items() if person.may(act)),
            sessions=_sessions(person),
        )

    def _page(self, title: str, body: str, **fields: str) -> Response:
        plant = self._view.plant
        text = (HEAD + body).format(
            title=title,
            plant=escape(plant.name),
            zone=escape(plant.zone),
            simulated='<strong class="simulated">SIMULATED</strong>' if plant.simulated else "",
            longest=LENGTH_MAX,
            **fields,
        )
        return Response(text, media_type="text/html", headers={"cache-control": "no-store"})


def _sessions(person: Person) -> str:
    return SESSIONS if person.may(Act.ACCOUNTS) else ""


def _next(wanted: str) -> str:
    """Return where to go after the sign-in: a page of ours, or the plant."""
    parts = urlsplit(wanted[:NEXT_MAX].replace("\\", "/"))
    known = not parts.scheme and not parts.netloc and parts.path in {*PAGES, ACCOUNT, HELP, PHONE, WALL}
    return parts.geturl() if known else "/"
