"""The application: FastAPI with the API and the live socket, Dash for the pages, the guard around both."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Any, Final, cast

from dash import Dash, Input, Output, html
from dash.backends._fastapi import FastAPIDashServer
from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket
from typing_extensions import override

from plantview.channel.client import ChannelClient
from plantview.clock import SystemClock
from plantview.config.bundled import bundled
from plantview.web.access import Access
from plantview.web.access.pages import AccountPages
from plantview.web.access.sign_in import SignInApi
from plantview.web.alarm_api import AlarmApi
from plantview.web.answers import Problem
from plantview.web.api import Api
from plantview.web.api_document import ApiDocument
from plantview.web.callbacks import CallbackCheck
from plantview.web.commands_api import CommandsApi
from plantview.web.drawing import Drawing
from plantview.web.equipment_api import EquipmentApi
from plantview.web.findings_api import FindingsApi
from plantview.web.frame_view import FrameView
from plantview.web.guard import Guard, content_security_policy
from plantview.web.hosts import Hosts
from plantview.web.lean import LeanDash
from plantview.web.live import Live
from plantview.web.openmetrics import Monitoring
from plantview.web.pages import (
    alarm_figures,
    alarm_journal,
    alarm_record,
    alarms,
    devices,
    equipment,
    findings,
    overrides,
    past,
    past_startup,
    performance,
    plant,
    points,
    startup,
    startup_captures,
    startup_checkout,
    startup_report,
    trends,
)
from plantview.web.past_api import PastApi
from plantview.web.past_package import PackageApi
from plantview.web.performance_api import PerformanceApi
from plantview.web.plain import HelpPage, PhonePage, WallPage
from plantview.web.routes import (
    ACCOUNT,
    CALLBACK,
    DOCUMENT,
    EQUIPMENT,
    EVIDENCE,
    HELP,
    LIBRARY,
    LIVE,
    MONITORING,
    PAGES,
    PERFORMANCE,
    PHONE,
    PHONE_NOW,
    SCHEMATIC,
    SIGN_IN,
    WALL,
)
from plantview.web.shell import METAS, index_page, shell
from plantview.web.startup_api import StartupApi
from plantview.web.trends_lines import Library

COMPRESS_BYTES_MIN: Final = 1_000
DASH_FAILURES: Final = {
    CALLBACK: Problem(400, "the page asked for something that does not exist", "reload the page"),
    "/_dash-component-suites/": Problem(404, "there is no such file", "reload the page"),
}
"""What Dash answers with 500 and no word about it: a request that nobody's page would send."""
LAYOUTS: Final[dict[str, Callable[[FrameView], list[Any]]]] = {
    "/": plant.layout,
    "/plant/loop": plant.loop_layout,
    "/plant/machine": equipment.layout,
    "/equipment": equipment.layout,
    "/performance": performance.layout,
    "/alarms": alarms.layout,
    "/alarms/record": alarm_record.layout,
    "/alarms/journal": alarm_journal.layout,
    "/alarms/figures": alarm_figures.layout,
    "/points": points.layout,
    "/trends": trends.layout,
    "/devices": devices.layout,
    "/startup": startup.layout,
    "/startup/checkout": startup_checkout.layout,
    "/startup/captures": startup_captures.layout,
    "/startup/report": startup_report.layout,
    "/past": past.layout,
    "/past/loop": past.loop_layout,
    "/past/machine": past.machine_layout,
    "/past/startup": past_startup.layout,
    "/overrides": overrides.layout,
    "/findings": findings.layout,
    "/findings/offsets": findings.offsets_layout,
}

log = logging.getLogger("plantview.web")


@dataclass(frozen=True, slots=True)
class Application:
    """The parts that the server and the tests need."""

    guarded: ASGIApp
    """The whole application, guard outermost."""
    dash: Dash


def build_application(
    view: FrameView,
    live: Live,
    client: ChannelClient,
    hosts: Hosts,
    data: Path | None = None,
    access: Access | None = None,
) -> Application:
    """Return the application for one plant; nothing runs yet. Without ``data`` the past is what the field remembers.

    Without ``access`` accounts are off.
    """
    access = access or Access(SystemClock())
    dash = _dash(view)
    server = cast("FastAPI", dash.server)
    server.add_exception_handler(Problem, _problem)
    server.include_router(Api(view, client, data).router())
    server.include_router(AlarmApi(view, client).router())
    server.include_router(PastApi(view, client).router())
    server.include_router(StartupApi(view, client).router())
    server.add_api_route(EVIDENCE, PackageApi(view, client, data).answer, methods=["GET"])
    server.include_router(FindingsApi(view, client).router())
    server.add_api_route(EQUIPMENT, EquipmentApi(view, client, data).answer, methods=["GET"])
    server.add_api_route(PERFORMANCE, PerformanceApi(view, client, data).answer, methods=["GET"])
    server.include_router(SignInApi(access).router())
    server.include_router(CommandsApi(view.plant, client, access).router())
    server.add_api_route(DOCUMENT, ApiDocument(server.routes).answer, methods=["GET"])
    server.add_api_route(MONITORING, Monitoring(view, live).answer, methods=["GET"])
    account = AccountPages(view, access)
    server.add_api_route(SIGN_IN, account.sign_in, methods=["GET"])
    server.add_api_route(ACCOUNT, account.account, methods=["GET"])
    server.add_api_route(SCHEMATIC, Drawing(view).answer, methods=["GET"])
    server.add_api_route(HELP, HelpPage(view).answer, methods=["GET"])
    server.add_api_route(WALL, WallPage(view).answer, methods=["GET"])
    phone = PhonePage(view, client)
    server.add_api_route(PHONE, phone.page, methods=["GET"])
    server.add_api_route(PHONE_NOW, phone.now, methods=["GET"])
    _add_library(server)
    _add_socket(server, live)
    server.add_middleware(GZipMiddleware, minimum_size=COMPRESS_BYTES_MIN)
    policy = content_security_policy(dash.csp_hashes())
    return Application(Guard(CallbackCheck(_pages(server), dash.callback_map), hosts, policy, access), dash)


def _pages(app: ASGIApp) -> ASGIApp:
    """Give every page Dash's one index, and treat HEAD as a GET whose body the server drops."""

    async def rewritten(scope: Scope, receive: Receive, send: Send) -> None:
        changes: dict[str, Any] = {}
        path = scope.get("path", "")
        named = next((problem for start, problem in DASH_FAILURES.items() if path.startswith(start)), None)
        if named is not None:
            send = _with_named_failure(named, scope, receive, send)
        if scope["type"] == "http":
            if path in PAGES:
                changes = {"path": "/", "raw_path": b"/"}
            if scope["method"] == "HEAD":
                changes["method"] = "GET"
        await app({**scope, **changes}, receive, send)

    return rewritten


def _with_named_failure(problem: Problem, scope: Scope, receive: Receive, send: Send) -> Send:
    failed = False

    async def named(message: Message) -> None:
        nonlocal failed
        if message["type"] == "http.response.start" and message["status"] == HTTPStatus.INTERNAL_SERVER_ERROR:
            failed = True
            log.warning("%s: %s", scope["path"], problem)
            await problem.response()(scope, receive, send)
        elif not failed:
            await send(message)

    return named


async def _problem(_request: Request, error: Exception) -> Response:
    return cast("Problem", error).response()


def _add_library(server: FastAPI) -> None:
    library = Library()
    for path in LIBRARY:
        server.add_api_route(path, partial(_library_file, library, path), methods=["GET"])


async def _library_file(library: Library, path: str) -> Response:
    return library.answer(path)


def _add_socket(server: FastAPI, live: Live) -> None:
    async def socket(websocket: WebSocket) -> None:
        await live.serve(websocket)

    server.add_api_websocket_route(LIVE, socket)


class _Backend(FastAPIDashServer):
    """Dash on FastAPI, without Dash's own WebSocket (the page would open it unasked) and without FastAPI's manual."""

    websocket_capability = False

    @staticmethod
    @override
    def create_app(name: str = "plantview", config: dict[str, Any] | None = None) -> FastAPI:
        return FastAPI(docs_url=None, redoc_url=None, openapi_url=None)


def _dash(view: FrameView) -> Dash:
    # Dash's own annotation does not know a title that stays as it is
    dash = LeanDash(
        "plantview",
        backend=_Backend,
        update_title=cast("Any", None),
        serve_locally=True,
        title=view.plant.name,
        assets_folder=str(bundled("assets").resolve()),
        assets_ignore=r"plain_.*",  # for the pages without Dash, which ask for them by name
        index_string=index_page(view.plant),
        meta_tags=METAS,
    )
    dash.layout = shell(view.plant)

    @dash.callback(Output("page", "children"), Input("location", "pathname"))
    async def show_page(path: object) -> list[Any]:
        layout = LAYOUTS.get(path) if isinstance(path, str) else None
        return layout(view) if layout is not None else [html.P("There is no such page.")]

    return dash
