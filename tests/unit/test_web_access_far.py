"""Signing in from far away: a phone changes its address, and a second device is seen."""

from __future__ import annotations

from pathlib import Path

import httpx

from plantview.model.person import Role
from plantview.model.plant import Plant
from plantview.web import routes
from plantview.web.access.gate import Terms
from tests.unit.access_rig import HOME, rig


async def test_a_session_survives_a_change_of_the_phones_address_and_a_second_device_is_listed(
    orchard: Plant, tmp_path: Path
) -> None:
    with rig(orchard, tmp_path, Terms()) as site:
        cookies = site.signed_in(Role.OPERATOR)
        for address in ("192.0.2.7", "198.51.100.9"):  # addresses for documentation (RFC 5737)
            transport = httpx.ASGITransport(site.application.guarded, client=(address, 40_000))
            async with httpx.AsyncClient(transport=transport, base_url=HOME) as phone:
                assert (await phone.get(f"{routes.API}/values", headers=cookies)).status_code == 200
        site.signed_in(Role.OPERATOR)
        async with site.client() as desk:
            answer = await desk.get(routes.SESSIONS, headers=site.signed_in(Role.ADMIN))
        listed = [row["name"] for row in answer.json()]
        assert listed.count(f"{Role.OPERATOR}-1") == 2
