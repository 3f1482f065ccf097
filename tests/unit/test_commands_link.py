"""Arming over a link on which an answer takes more than a second is refused before anything is asked or used up."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from plantview.model.person import Role
from plantview.model.plant import Plant
from plantview.web.commands_api import LINK_MS_MAX
from plantview.web.routes import COMMAND_ACT, SESSION_CONFIRM
from tests.unit.access_rig import PASSWORD, Rig, rig

ARM = {"act": "arm", "equipment": "CH-1", "reason": "load test with the owner"}
NOBODY_LISTENS = 503
"""What an act answers that was passed on: behind this page there is no field process."""


CASES: list[tuple[dict[str, object], int, str]] = [
    ({"link_ms": LINK_MS_MAX + 1}, 409, "1.0 s to reach this page, and 1 s is the most"),
    ({"link_ms": 4_200}, 409, "4.2 s"),
    ({"link_ms": LINK_MS_MAX}, NOBODY_LISTENS, ""),
    ({"link_ms": 12}, NOBODY_LISTENS, ""),
    ({}, NOBODY_LISTENS, ""),
    ({"link_ms": "fast"}, 400, "'link_ms' must be"),
    ({"link_ms": -1}, 400, "'link_ms' must be"),
    ({"link_ms": True}, 400, "'link_ms' must be"),
]


@pytest.fixture(scope="module")
def site(larkfield: Plant, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with rig(larkfield, tmp_path_factory.mktemp("data")) as made:
        yield made


@pytest.mark.parametrize(("link", "status", "said"), CASES)
async def test_nobody_arms_over_a_link_that_shows_what_was(
    site: Rig, link: dict[str, object], status: int, said: str
) -> None:
    site.access.sessions.end_all("technician-1", "the case before is over")
    sent = site.signed_in(Role.TECHNICIAN)
    async with site.client() as http:
        await http.post(SESSION_CONFIRM, headers=sent, json={"password": PASSWORD})
        answer = await http.post(COMMAND_ACT, headers=sent, json={**ARM, **link})
    assert answer.status_code == status
    assert said in answer.json()["detail"]
    (session,) = site.access.sessions.all()
    assert site.access.sessions.take_confirmation(session.id) is (status != NOBODY_LISTENS)


async def test_a_slow_link_hinders_nobody_from_releasing(site: Rig) -> None:
    async with site.client() as http:
        body = {"act": "release", "override": "1", "link_ms": 9_000}
        answer = await http.post(COMMAND_ACT, headers=site.signed_in(Role.TECHNICIAN), json=body)
    assert answer.status_code == NOBODY_LISTENS
