"""Pages of machines with a learned model, of a heat exchanger, and of performance with rates, at one known moment."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from dataclasses import replace

import pytest
import pytest_asyncio
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Browser, Page, async_playwright, expect

from plantview.config import load_plant
from plantview.config.bundled import bundled
from plantview.model.rates import Rates
from tests.browser.machine_site import MachineSite, cell_model, chiller_model, machine_site
from tests.browser.seeing import CHROMIUM, FLAGS, SIZES, THEMES
from tests.unit.derive_frames import LARKFIELD
from tests.unit.shown_frames import running
from tests.unit.test_derive_exchanger import WORKING

pytestmark = [pytest.mark.browser, pytest.mark.timeout(120), pytest.mark.asyncio(loop_scope="module")]
PLANTS = bundled("plants")
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]}
RATES = Rates(0.12, "USD", 0.37)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def larkfield_site(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[MachineSite]:
    plant = replace(load_plant(PLANTS / "larkfield"), rates=RATES)
    models = {"CH-1": chiller_model(), "CT-1": cell_model()}
    async with machine_site(
        tmp_path_factory.mktemp("larkfield"),
        plant,
        {**LARKFIELD, "cwp-out.flow": 1_250.0, "CT-1-FAN.speed": 60.0},
        models,
    ) as served:
        yield served


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def millrace_site(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[MachineSite]:
    plant = load_plant(PLANTS / "millrace")
    async with machine_site(tmp_path_factory.mktemp("millrace"), plant, {**running(plant), **WORKING}, {}) as served:
        yield served


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with async_playwright() as playwright:
        opened = await playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        await opened.close()


async def machine(browser: Browser, url: str, theme: str = "light") -> tuple[Page, list[str]]:
    context = await browser.new_context(viewport={"width": 1366, "height": 768}, color_scheme=theme)  # type: ignore[arg-type]
    page = await context.new_page()
    page.set_default_timeout(15_000)
    told: list[str] = []
    page.on("console", lambda message: told.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: told.append(f"error: {error}"))
    await page.goto(url)
    await page.wait_for_function("() => document.body.dataset.equipment || document.body.dataset.performance")
    return page, told


async def readable(page: Page) -> None:
    """Every size without sideways scrolling; the narrowest judged by axe-core too."""
    for width, height in SIZES.values():
        await page.set_viewport_size({"width": width, "height": height})
        assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth"), width
    found = (await Axe().run(page, options=RULES)).response["violations"]
    assert [(each["id"], [node["html"][:120] for node in each["nodes"]]) for each in found] == []


@pytest.mark.parametrize("theme", THEMES)
async def test_a_chiller_stands_beside_its_own_normal(
    larkfield_site: MachineSite, browser: Browser, theme: str
) -> None:
    page, told = await machine(browser, f"{larkfield_site.home}/equipment?id=CH-1", theme)
    power = page.locator("#equipment-model [data-base='power']")
    await expect(power.locator(".why")).to_have_text(re.compile(r"^normal [\d.]+ to [\d.]+$"))
    now, expected, above = [
        float(re.findall(r"[-\d.]+", await each.inner_text())[0]) for each in await power.locator("td.value").all()
    ]
    assert now == 250.0
    assert now - expected == pytest.approx(above, abs=0.11)
    low, high = map(float, re.findall(r"[\d.]+", await power.locator(".why").inner_text()))
    assert (low, high) == pytest.approx((expected - 4.0, expected + 4.0), abs=0.11)
    await expect(page.locator("#equipment-model-day path.own-band")).not_to_have_count(0)
    await expect(page.locator("#equipment-model-day figcaption")).to_have_text(
        re.compile(r"of \d+ means with a normal band \d+ lay")
    )
    facts = page.locator("#equipment-model-facts")
    for words in ("from 1409 steady means", "471 means missed by 0.8 kW (CV-RMSE 0.3 %)", "load 227 to 711 tons",
                  "entering condenser water 74.3 to 90.5 °F", "only moved from 44.1 to 44.1 °F"):  # fmt: skip
        await expect(facts).to_contain_text(words)
    await expect(page.locator("#equipment-map circle.now")).to_have_count(1)
    await readable(page)
    await page.click("#units")
    await expect(facts).to_contain_text("load 800 to 2500 kW")
    await expect(facts).to_contain_text("leaving chilled water 5.8 to 7.8 °C")
    assert told == []


async def test_a_reading_outside_its_band_is_marked(larkfield_site: MachineSite, browser: Browser) -> None:
    row = larkfield_site.field.override["CH-1.power"]
    page, _ = await machine(browser, f"{larkfield_site.home}/equipment?id=CH-1")
    place = page.locator("#equipment-model [data-base='power'] .why")
    row[0] = 262.0
    await expect(place).to_have_text(re.compile(r"^outside normal "))
    await expect(place).to_have_class(re.compile("outside"))
    row[0] = 250.0
    await expect(place).to_have_text(re.compile(r"^normal "))


async def test_outside_what_was_learned_the_page_says_so_in_the_units_of_the_viewer(
    larkfield_site: MachineSite, browser: Browser
) -> None:
    page, told = await machine(browser, f"{larkfield_site.home}/equipment?id=CT-1")
    words = page.locator("#equipment-normal")
    await expect(words).to_have_text(re.compile("outside what was learned: range above 1.4 °F"))
    await expect(page.locator("#equipment-model [data-base='leaving_temp'] .why")).to_have_text("")
    await page.click("#units")
    await expect(words).to_have_text(re.compile("outside what was learned: range above 0.8 K"))
    await readable(page)
    assert told == []


@pytest.mark.parametrize("theme", THEMES)
async def test_a_heat_exchanger_has_its_values_with_their_uncertainty(
    millrace_site: MachineSite, browser: Browser, theme: str
) -> None:
    page, told = await machine(browser, f"{millrace_site.home}/equipment?id=HX-1&units=si", theme)
    effectiveness = page.locator("[data-row='HX-1.effectiveness'] td.value")
    await expect(effectiveness).to_have_text(re.compile(r"^75\s*%\s*± [\d.]+"))
    await expect(page.locator("[data-row='HX-1.approach'] td.value")).to_have_text(re.compile(r"^2\.0\s*K\s*± 0\.1"))
    await expect(page.locator("#equipment-read [data-row]")).to_have_count(4)
    await expect(page.locator("section.equipment-model")).to_be_hidden()
    await expect(page.locator("section.equipment-map")).to_be_hidden()
    await expect(page.locator("#equipment-day svg")).not_to_have_count(0)
    await expect(page.locator("#equipment-caution")).to_contain_text("licensed practice")
    await readable(page)
    assert told == []


async def test_points_lead_to_the_machines_that_have_a_page(larkfield_site: MachineSite, browser: Browser) -> None:
    context = await browser.new_context()
    page = await context.new_page()
    await page.goto(f"{larkfield_site.home}/points")
    await expect(page.locator("#points-rows th a[href='/equipment?id=CH-1']").first).to_have_text("CH-1")
    plain = page.locator("#points-rows th", has_text="chw-supply")
    await expect(plain.first).to_have_text("chw-supply")
    await expect(plain.locator("a")).to_have_count(0)


async def test_the_performance_page_says_cost_and_carbon_last_and_how_sure_it_is(
    larkfield_site: MachineSite, browser: Browser
) -> None:
    page, told = await machine(browser, f"{larkfield_site.home}/performance")
    sections = await page.locator(".performance h3").all_inner_texts()
    assert sections[-1] == "Cost and carbon"
    energy = page.locator("#performance-total .fact").nth(1).locator("strong")
    kwh, plus = [float(re.sub(r"[^\d.]", "", part)) for part in (await energy.inner_text()).split("±")]
    assert 0 < plus < 0.05 * kwh
    rates = page.locator("#performance-rates .fact")
    cost, carbon = [
        float(re.sub(r"[^\d.]", "", (await each.inner_text()).split("±")[0].split("\n")[1]))
        for each in await rates.all()
    ]
    assert cost == pytest.approx(kwh * RATES.energy_price, abs=1)  # type: ignore[operator]
    assert carbon == pytest.approx(kwh * RATES.carbon_kg_per_kwh, abs=3)  # type: ignore[operator]
    await expect(page.locator("#performance-rates")).to_contain_text("no bill")
    await expect(page.locator("#performance-balance path.tolerance")).to_have_count(1)
    await expect(page.locator("#performance-balance figcaption")).to_have_text(
        re.compile(r"\d+ of \d+ intervals lie inside the tolerance of ±")
    )
    await readable(page)
    await page.click("#performance-span [data-days='30']")
    await page.wait_for_function("() => document.body.dataset.performance === '30'")
    await expect(page.locator("#performance-said")).to_have_text(re.compile(r"720 h, 69[45] h were not seen whole"))
    assert told == []
