"""``plantview preflight``: whether everything is ready to watch this plant."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Mapping
from dataclasses import replace

from plantview.cli_progress import Progress
from plantview.clock import SystemClock
from plantview.config import load_plant, with_addresses
from plantview.config.bundled import plant_folder
from plantview.model.plant import Adapter, Plant
from plantview.process import EXIT_FAILED, EXIT_OK
from plantview.surveying.adapters import FREE, TCP, holder
from plantview.surveying.preflight import Outcome, adapter_trouble, ask_once
from plantview.surveying.verdict import BAD, NOTE, OK, Finding, verdict


def preflight(args: argparse.Namespace) -> int:
    """Ask everything once and print what to do; 0 ready, 1 something is wrong, 2 the description is wrong."""
    plant = with_addresses(load_plant(plant_folder(args.plant_dir)), dict(args.address))
    trouble = adapter_trouble(plant)
    outcome = asyncio.run(_ask(plant, trouble))
    findings = [*verdict(plant, outcome, trouble), page_port(args.port)]
    for finding in findings:
        print(finding)
    wrong = sum(finding.level == BAD for finding in findings)
    print(f"{plant.name}: {f'{wrong} problem(s); see the lines with !' if wrong else 'ready.'}")
    return EXIT_FAILED if wrong else EXIT_OK


def page_port(port: int) -> Finding:
    """Return whether the page can have its port; it is no reason not to start on another."""
    held = holder(TCP, "127.0.0.1", port)
    if held == FREE:
        return Finding(OK, "page", f"TCP port {port} is free")
    return Finding(NOTE, "page", held, "start with --port and another number; a running plantview holds it too")


async def _ask(plant: Plant, trouble: Mapping[Adapter, Mapping[str, str]]) -> Outcome:
    """Ask what can be asked: what stands behind an adapter that cannot be used is left out."""
    progress = Progress("reading every point once")
    without = {
        one.id: trouble[adapter]
        for one in plant.devices.values()
        if one.protocol == "bacnet" and (adapter := plant.adapter_of(one)) in trouble
    }
    points = {name: point for name, point in plant.points.items() if point.device not in without}
    devices = {name: device for name, device in plant.devices.items() if name not in without}
    outcome = await ask_once(
        replace(plant, points=points, devices=devices), SystemClock(), lambda _, done, whole: progress(done, whole)
    )
    progress.done()
    outcome.not_asked = {name: f"the BACnet {' and '.join(why)} stands in the way" for name, why in without.items()}
    outcome.silent |= {name: "not asked" for name, point in plant.points.items() if point.device in without}
    return outcome
