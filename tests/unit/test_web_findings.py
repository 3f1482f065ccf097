"""The pages and the API of findings and offsets, over ASGI, with the real findings of a swapped pair behind them."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

from plantview.clock import ManualClock
from plantview.config import load_plant
from plantview.service.findings import Findings
from tests.simulation.identity_rig import reported
from tests.unit.fake_field import FakeField
from tests.unit.test_findings import Stored
from tests.unit.test_web_api import WITH_TOKEN, Site, field, site

__all__ = ["field", "site"]


@pytest.fixture(scope="module")
def stored() -> Stored:
    plant = load_plant(Path(__file__).parents[2] / "config" / "larkfield")
    return Stored(*reported(plant, 0.4)).swapped()


@pytest.fixture
async def findings(field: FakeField, site: Site, stored: Stored, tmp_path: Path) -> Findings:
    plant = load_plant(Path(__file__).parents[2] / "config" / "larkfield")
    made = Findings(plant, tmp_path, ManualClock(int(stored.at_ms[-1])), stored)
    await made.look()
    for what, answer in made.answers().items():
        field.channel.register(what, answer)
    return made


async def posted(site: Site, path: str, **body: Any) -> tuple[int, Any]:
    answer = await site.http.post(f"/api/v1/findings/{path}", content=json.dumps(body), headers=WITH_TOKEN)
    return answer.status_code, answer.json()


async def test_a_finding_comes_with_evidence_in_both_unit_systems_and_the_lines_to_change(
    site: Site, findings: Findings
) -> None:
    body = (await site.http.get("/api/v1/findings")).json()
    assert "manual" in body["caution"]
    assert "local codes" in body["caution"]
    (row,) = body["open"]
    assert row["finding"]["words"] == "CH-1.chws_temp may be swapped with CH-1.chwr_temp"
    evidence = {each["law"]: each for each in row["finding"]["proposals"][0]["evidence"]}
    order = evidence["CH-1.chwr_temp above CH-1.chws_temp"]
    assert order["failed"]
    assert order["closes"]
    kelvin, fahrenheit = (float(order["shown"][system]["before"]) for system in ("si", "ip"))
    assert kelvin < -1.0
    assert fahrenheit == pytest.approx(1.8 * kelvin, rel=2e-3)
    assert [line["number"] for line in row["changes"][0]] == sorted(line["number"] for line in row["changes"][0])
    assert row["changes"][0][0]["before"] != row["changes"][0][0]["after"]


async def test_a_decision_is_taken_with_a_name_and_refused_with_a_remedy(site: Site, findings: Findings) -> None:
    name = (await site.http.get("/api/v1/findings")).json()["open"][0]["finding"]["id"]
    status, _ = await posted(site, "decide", finding=name, decision="accept")
    assert status == 400
    status, problem = await posted(site, "decide", finding=name, decision="right", person="jd", reason="no")
    assert status == 409
    assert "10 characters" in problem["detail"]
    status, problem = await posted(site, "decide", finding=name, decision="accept", proposal="first", person="jd")
    assert status == 400
    assert findings.count() == 1
    status, answer = await posted(
        site, "decide", finding=name, decision="right", person="jd", reason="checked at the wells"
    )
    assert (status, answer["decision"]) == (200, "right")
    assert findings.count() == 0


async def test_a_thermometer_reading_is_kept_and_exported(site: Site, findings: Findings) -> None:
    status, _ = await posted(site, "thermometer", point="chw-supply.temp", value=True, unit="degF", person="jd")
    assert status == 400
    note = "=HYPERLINK(1)"
    status, row = await posted(
        site, "thermometer", point="chw-supply.temp", value=44.0, unit="degF", person="jd", note=note
    )
    assert status == 200
    assert row["thermometer_c"] == pytest.approx(6.667, abs=1e-3)
    answer = await site.http.get("/api/v1/offsets.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    rows = {each["point"]: each for each in csv.DictReader(io.StringIO(answer.text.lstrip("\ufeff")))}
    assert rows["chw-supply.temp"]["by"] == "jd"
    assert rows["chw-supply.temp"]["note"] == f"'{note}"
    assert rows["CH-1.chwr_temp"]["thermometer_C"] == ""


def test_both_pages_say_that_nothing_is_corrected_by_itself() -> None:
    from plantview.web.pages import findings

    texts = [str(page(None)) for page in (findings.layout, findings.offsets_layout)]  # type: ignore[arg-type]
    assert "Nothing is corrected by itself" in texts[0]
    assert "taken up anew" in texts[1]
