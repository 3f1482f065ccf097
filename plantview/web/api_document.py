"""``/api/v1/openapi.json``: the API described by itself (OpenAPI 3.1), made of the routes that are really served.

Paths, methods, words and the act that each route needs are read from the application and the table of permits;
parameters and bodies stand in ``api_shapes``, and a test holds them against what the code asks a request for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from fastapi.openapi.utils import get_openapi
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute

from plantview import __version__
from plantview.web.access.permits import FOR_PROGRAMS, act_of, is_open
from plantview.web.answers import Json
from plantview.web.api_shapes import BODIES, QUERIES
from plantview.web.routes import ALIVE, API, allowed_methods

OPENAPI: Final = "3.1.0"
PROBLEM: Final = {
    "type": "object",
    "description": "What is wrong and what to do (RFC 9457).",
    "required": ["type", "title", "status", "detail", "remedy"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "remedy": {"type": "string"},
    },
}
SCHEMES: Final = {
    "session": {"type": "apiKey", "in": "cookie", "name": "plantview-…", "description": "Set by the sign-in."},
    "key": {"type": "http", "scheme": "bearer", "description": "Made by 'plantview accounts key add NAME'."},
    "token": {
        "type": "apiKey",
        "in": "header",
        "name": "X-CSRFToken",
        "description": "What pages send with a POST: the value of the cookie _csrf_token. Not needed with a key.",
    },
}


class ApiDocument:
    """Answers with the document; made at the first question, when all routes are there."""

    def __init__(self, routes: Sequence[BaseRoute]) -> None:
        self._routes = routes
        self._made: dict[str, Any] | None = None

    async def answer(self, _request: Request) -> Response:
        """Return the description of this API (OpenAPI 3.1)."""
        if self._made is None:
            self._made = document(self._routes)
        return Json(self._made)


def document(routes: Sequence[BaseRoute]) -> dict[str, Any]:
    """Return the description of the routes under ``/api/v1`` and of the sign of life."""
    served = get_openapi(title="plantview", version=__version__, routes=routes)["paths"]
    ours = {path: served[path] for path in sorted(served) if path.startswith(f"{API}/") or path == ALIVE}
    return {
        "openapi": OPENAPI,
        "info": {"title": "plantview", "version": __version__, "description": "What one plant does, and its alarms."},
        "paths": {
            path: {method: _operation(path, method, made) for method, made in methods.items()}
            for path, methods in ours.items()
        },
        "components": {"schemas": {"Problem": PROBLEM}, "securitySchemes": SCHEMES},
    }


def _operation(path: str, method: str, made: Mapping[str, Any]) -> dict[str, Any]:
    summary, _, rest = str(made.get("description", "")).partition("\n\n")
    problem = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    shown: dict[str, Any] = {
        "summary": " ".join(summary.split()),
        "description": rest,
        "operationId": path.strip("/").replace("/", "_").replace(".", "_"),
        "responses": {"2XX": {"description": "well"}, "default": {"description": "refused", "content": problem}},
        "security": _security(path),
    }
    act = act_of(path)
    if act is not None and not is_open(path):
        shown["x-act"] = act.value
    if path in QUERIES:
        shown["parameters"] = [{"in": "query", "required": False, **row} for row in QUERIES[path]]
    if method == "post":
        schema = {"type": "object", **BODIES.get(path, {})}
        shown["requestBody"] = {"required": True, "content": {"application/json": {"schema": schema}}}
    return shown


def _security(path: str) -> list[dict[str, list[str]]]:
    if is_open(path):
        return []
    page: dict[str, list[str]] = {"session": [], **({"token": []} if "POST" in allowed_methods(path) else {})}
    return [page, {"key": []}] if act_of(path) in FOR_PROGRAMS else [page]
