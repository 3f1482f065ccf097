"""How the API answers: JSON, or a problem with its remedy (RFC 9457, application/problem+json)."""

from __future__ import annotations

from http import HTTPStatus

import orjson
from starlette.responses import Response
from typing_extensions import override


class Json(Response):
    """A JSON answer; NaN becomes null."""

    media_type = "application/json"

    @override
    def render(self, content: object) -> bytes:
        return orjson.dumps(content)


class Problem(Exception):
    """A request that cannot be answered: status, what is wrong, what to do."""

    def __init__(self, status: int, detail: str, remedy: str) -> None:
        self.status, self.detail, self.remedy = status, detail, remedy
        super().__init__(detail)

    def response(self) -> Response:
        """Return it as an answer."""
        title = HTTPStatus(self.status).phrase
        body = {
            "type": "about:blank",
            "title": title,
            "status": self.status,
            "detail": self.detail,
            "remedy": self.remedy,
        }
        return Response(orjson.dumps(body), self.status, media_type="application/problem+json")
