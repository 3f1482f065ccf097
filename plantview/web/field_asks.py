"""A question to the field process, its refusals turned into problems with a remedy."""

from __future__ import annotations

from typing import Any, Final

from plantview.channel.client import ChannelClient
from plantview.channel.messages import AskRefused
from plantview.errors import ChannelError, NotRunning
from plantview.web.answers import Problem

ASK_REAL_S: Final = 5.0


async def ask_field(
    client: ChannelClient, what: str, body: dict[str, Any], within_s: float = ASK_REAL_S
) -> dict[str, Any]:
    """Return the answer of the field process."""
    try:
        return await client.ask(what, body, within_s)
    except AskRefused as error:
        raise Problem(409, str(error), "look at the present state, then try again") from error
    except (NotRunning, ChannelError) as error:
        raise Problem(503, str(error), "wait until the link is up again; polling goes on without this page") from error
